"""Completion of words in PowerShell, beside those of bash, zsh and fish that click has.

From Microsoft's page on Register-ArgumentCompleter, ``-Native``; tried with no PowerShell.
Where nothing is offered, PowerShell itself offers files.
"""

from __future__ import annotations

import os
from typing import Any

from click.shell_completion import CompletionItem, ShellComplete, add_completion_class

_SCRIPT = """\
Register-ArgumentCompleter -Native -CommandName %(prog_name)s -ScriptBlock {
    param($wordToComplete, $commandAst, $cursorPosition)
    $words = $commandAst.CommandElements | ForEach-Object { $_.Extent.Text.Trim("'`"") }
    $env:%(complete_var)s = 'powershell_complete'
    $env:COMP_WORDS = $words -join "`n"
    $env:COMP_CWORD = $wordToComplete.Trim("'`"")
    try {
        & $commandAst.CommandElements[0].Extent.Text.Trim("'`"") | ForEach-Object {
            $value, $help = $_ -split "`t", 2
            $text = $value
            if ($value -match '\\s') { $text = "'" + $value.Replace("'", "''") + "'" }
            $kind = [System.Management.Automation.CompletionResultType]::ParameterValue
            [System.Management.Automation.CompletionResult]::new($text, $value, $kind, $help)
        }
    } finally {
        Remove-Item Env:%(complete_var)s, Env:COMP_WORDS, Env:COMP_CWORD -ErrorAction Ignore
    }
}
"""


@add_completion_class
class PowerShellComplete(ShellComplete):
    """The words before the cursor come in lines; the answers have a tab before their help."""

    name = "powershell"
    source_template = _SCRIPT

    def get_completion_args(self) -> tuple[list[str], str]:
        words = os.environ.get("COMP_WORDS", "").split("\n")[1:]
        incomplete = os.environ.get("COMP_CWORD", "")
        if incomplete and words and words[-1] == incomplete:
            words.pop()
        return words, incomplete

    def format_completion(self, item: CompletionItem[Any]) -> str:
        return f"{item.value}\t{' '.join((item.help or str(item.value)).split())}"

    def complete(self) -> str:
        args, incomplete = self.get_completion_args()
        found = self.get_completions(args, incomplete)
        return "\n".join(self.format_completion(item) for item in found if item.type == "plain")

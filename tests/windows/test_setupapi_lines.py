"""Every line of INF texts as Windows' own SetupAPI reads it, and as we do.

Each text exercises one rule of General Syntax Rules for INF Files or of INF Strings section.
A witness: where it runs under Wine it is Wine's SetupAPI; the published pages decide.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from mediashelf.formats.inf.document import parse_inf

if sys.platform != "win32":
    pytest.skip("SetupAPI is a part of Windows", allow_module_level=True)

from setupapi_calls import all_lines

HEAD = '[Version]\nSignature="$CHICAGO$"\nClass=NET\n'
ID = "PCI\\VEN_F4A1&DEV_0001"

TEXTS = {
    "quotes": '[M]\n"Tern ""T"", fast; new"=I,"' + ID + '"\n',
    "commas in quotes": '[L]\n"a,b.sys","c d.sys",,0x10\n',
    "equals in quotes": '[F]\n"a=b.sys"=1\n',
    "comments": "[I] ; install\nCopyFiles=L ; list\n;DelFiles=D\n[L]\na.sys;glued\n",
    "a quote in a comment": '[L]\na.sys ; 5" disk\nb.sys\n',
    "strings": f'[M]\n%T%=I,%ID%\n%t%=I,100%%\n[Strings]\nT="Tern; 1,2"\nID={ID}\n',
    "continued": "[I]\nCopyFiles=A,\\\n  B,\\ ; more\n\tC\n[J]\nCopyFiles=A,\\\\\nB\n",
    "a quoted backslash": '[D]\n1=d,,,"\\sub\\"\n2=e\n',
    "tabs and blanks": "[I]\n\tCopyFiles\t=\tL , \t@b.sys\t\n  [L]\n\t a.sys \t\n",
    "blanks in brackets": "[ L ]\na.sys\n[L ]\nb.sys\n[\tL]\nc.sys\n[L]\nd.sys\n",
    "merged": "[L]\na.sys\n[X]\nb=1\n[l]\nc.sys\n",
    "empty values": "[L]\na.sys,,,0x2\n,x\nb.sys,\n",
    "no last line end": "[L]\na.sys",
    "end mark": "[L]\na.sys\n\x1a[X]\nb.sys\n",
}


def stripped(values: list[str]) -> list[str]:
    """Values without empty ones at the end: trailing commas may be left out."""
    while values and not values[-1]:
        values = values[:-1]
    return values


@pytest.mark.parametrize("encoding", ["ascii", "utf-16"])
@pytest.mark.parametrize("rule", TEXTS)
def test_the_same_lines_are_read(tmp_path: Path, rule: str, encoding: str) -> None:
    path = tmp_path / "tern.inf"
    path.write_bytes((HEAD + TEXTS[rule]).replace("\n", "\r\n").encode(encoding))
    inf = parse_inf(path.read_bytes())
    theirs = {
        name: [stripped(values) for values in lines]
        for name, lines in all_lines(path).items()
        if name != "strings"
    }
    ours = {
        name: [stripped([inf.expand(value) for value in entry.values]) for entry in section.entries]
        for name, section in inf.sections.items()
        if name != "strings"
    }
    assert ours == theirs
    assert len(ours) > 1

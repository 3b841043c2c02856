"""``mediashelf targets``: what each target reads, and where that is written.

The shape of ``--json``: ``command`` and ``version``, then ``targets``, one object each:
``name``, ``title``, ``file`` (null for a built-in target), ``family`` and
``first_phase`` (a name or null), and ``limits``, one object each with ``limit``,
``meaning``, ``value``, ``source``, ``is_published``, and ``rules``, the rules that ask
for it, each with ``rule``, ``title`` and ``severity``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import click

from mediashelf.cli.documents import chosen, document
from mediashelf.cli.options import json_option, quiet_option, targets_folder_option
from mediashelf.cli.render import say, say_json, say_wrapped, table
from mediashelf.readability.limits import LIMIT_KINDS, Limit, LimitValue
from mediashelf.readability.rule_types import Rule
from mediashelf.readability.rules.table import RULES
from mediashelf.readability.targets import Target, load_targets, pick_targets, users_targets_folder


@click.command(
    epilog="""
\b
Examples:
  mediashelf targets
  mediashelf targets nt4
  mediashelf targets --json
\b
A target of your own is a file NAME.toml in the targets folder:
  title = "Workshop laptops"
  based_on = "nt5"
  family = "nt5"
  drop = ["boot_media"]
  [limits.path_length]
  value = 200
  source = "common practice"
\b
A limit whose source begins with "common practice", "from memory" or "quoted
elsewhere" never yields more than a note.
"""
)
@click.argument("names", nargs=-1, metavar="[NAME]...")
@targets_folder_option
@json_option
@quiet_option
def targets(names: Sequence[str], targets_folder: Path | None, as_json: bool, quiet: bool) -> None:
    """List the targets, or what those that are named can read.

    A target is an operating-system family as rows of data: every limit with its
    value and with the place where it is published, or the words "common
    practice", "from memory" or "quoted elsewhere" where that was not read.
    """
    known = load_targets(targets_folder)
    picked = pick_targets(names, known)
    if as_json:
        shown = picked or known.values()
        say_json(document("targets", targets=[_target(one) for one in shown]))
    elif picked:
        for target in picked:
            _say_target(target)
    else:
        _say_list(list(known.values()), targets_folder or users_targets_folder(), quiet=quiet)


def _say_list(known: Sequence[Target], folder: Path, *, quiet: bool) -> None:
    rows = [
        (
            target.name,
            str(len(target.limits)),
            str(sum(limit.is_published for limit in target.limits.values())),
            target.title,
        )
        for target in known
    ]
    for line in table(
        ["system", "limits", "published", "what it is"], rows, right="limits, published"
    ):
        say(line)
    if not quiet:
        say()
        say_wrapped(f"Targets of your own go into {folder}; see mediashelf targets --help.")


def _say_target(target: Target) -> None:
    say_wrapped(f"{target.name}: {target.title}")
    if target.file is not None:
        say_wrapped(f"file: {target.file}", indent=2)
    if target.family:
        say_wrapped(f"chooses drivers by the rules of: {target.family}", indent=2)
    if target.first_phase is not None:
        say_wrapped(f"setup begins by reading as: {target.first_phase.name}", indent=2)
    say()
    for key, kind in LIMIT_KINDS.items():
        limit = target.limits.get(key)
        if limit is None:
            continue
        say(key)
        say_wrapped(f"{kind.meaning}: {value_text(limit.value)}", indent=2)
        for rule in _rules_for(key):
            say_wrapped(f"rule: {limit.severity_of(rule.severity).word} {rule.id}", indent=2)
        say_wrapped(f"source: {limit.source}", indent=2)
    say()


def value_text(value: LimitValue) -> str:
    """Return a limit's value for people; control characters are summed up."""
    if value is True:
        return "yes"
    if isinstance(value, int):
        return f"{value:,}"
    if isinstance(value, tuple):
        return ", ".join(str(item) for item in value)
    controls = sum(not letter.isprintable() for letter in value)
    shown = "".join(letter for letter in value if letter.isprintable())
    if shown.endswith(" "):
        shown = f"{shown[:-1]} and space"
    return f"{controls} control characters and {shown}" if controls else shown


def _rules_for(key: str) -> list[Rule]:
    return [rule for rule in RULES if rule.needs == key]


def _target(target: Target) -> Mapping[str, Any]:
    phase = target.first_phase
    return {
        **chosen(target, "name", "title", "file"),
        "family": target.family or None,
        "first_phase": None if phase is None else phase.name,
        "limits": [_limit(limit) for limit in target.limits.values()],
    }


def _limit(limit: Limit) -> Mapping[str, Any]:
    return {
        "limit": limit.key,
        "meaning": LIMIT_KINDS[limit.key].meaning,
        **chosen(limit, "value", "source", "is_published"),
        "rules": [
            {
                "rule": rule.id,
                "title": rule.title,
                "severity": limit.severity_of(rule.severity),
            }
            for rule in _rules_for(limit.key)
        ],
    }

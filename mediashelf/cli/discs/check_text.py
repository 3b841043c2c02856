"""What check says of one disc, as text for people."""

from __future__ import annotations

from collections.abc import Sequence

from mediashelf.cli.render import NOT_LOOKED_AT, say, say_findings, say_wrapped, summary, table
from mediashelf.findings import Finding, Severity, at_least, worst
from mediashelf.jobs.discs.checking import CheckedSource
from mediashelf.readability.check import Readability, is_damaged
from mediashelf.text import size_text

PLACES_SHOWN = 3  # of one rule, without --all


def say_answer(answer: CheckedSource, *, show_all: bool, quiet: bool) -> None:
    """Print what a disc is, which systems read it, and what was found, part by part."""
    lowest = Severity.WARNING if quiet else Severity.NOTE
    own, emulator = at_least(answer.own, lowest), at_least(answer.emulator, lowest)
    drivers = at_least(answer.drivers or (), lowest)
    rows = [
        (target.name, answer.verdict(found).value, summary(found))
        for target, found in answer.targets
        if not quiet or answer.verdict(found) is not Readability.READS
    ]
    if quiet and not (own or emulator or drivers or rows):
        return
    say_wrapped(str(answer.path))
    say_wrapped(_glance(answer), indent=2)
    say()
    if rows:
        for line in table(["system", "verdict", "findings"], rows):
            say(line)
        say()
    own_part = "structure" if answer.kind == "image" else "plan"
    if not quiet:
        say_wrapped(f"{own_part}: {summary(own)}; emulator: {_served(answer)}; {_contents(answer)}")
        if _has_errors(own) and own_part == "plan":
            say_wrapped("build refuses this disc; findings for systems hold for it as planned.")
        elif is_damaged(own) and answer.facts.volumes:
            say_wrapped("This image is damaged; findings for systems hold for a sound copy.")
        say()
    limit = 0 if show_all else PLACES_SHOWN
    _say_part(own_part, own, limit)
    _say_part("emulator", emulator, limit)
    if answer.is_asked:
        for target, found in answer.targets:
            _say_part(f"{target.name}: {target.title}", at_least(found, lowest), limit)
    elif not quiet and any(found for _, found in answer.targets):
        say_wrapped("Add --target NAME to see what was found for that system.")
        say()
    _say_part("drivers", drivers, limit)


def _say_part(title: str, findings: Sequence[Finding], limit: int) -> None:
    if findings:
        say_wrapped(f"-- {title}")
        say_findings(findings, limit=limit)
        say()


def _has_errors(findings: Sequence[Finding]) -> bool:
    return worst(findings) is Severity.ERROR


def _served(answer: CheckedSource) -> str:
    if answer.served is None:
        return "serves it whole"
    return "does not serve it whole" if answer.served is Severity.ERROR else "serves it, with care"


def _contents(answer: CheckedSource) -> str:
    if answer.kind == "image":
        return NOT_LOOKED_AT
    if answer.drivers is None:
        return "contents of files not read"
    return f"drivers: {summary(answer.drivers)}"


def _glance(answer: CheckedSource) -> str:
    facts = answer.facts
    parts = [size_text(facts.size), *dict.fromkeys(volume.kind.value for volume in facts.volumes)]
    if facts.boot is not None and any(entry.is_bootable for entry in facts.boot.entries):
        parts.append("boots")
    return _origin(answer) + ", ".join(parts)


def _origin(answer: CheckedSource) -> str:
    """Say what was checked where that is not the file itself."""
    if answer.kind == "image":
        return ""
    if answer.kind == "folder" and not answer.path.is_dir():
        return "not a disc image as it is; a disc planned from the files in it: "
    return f"planned from a {answer.kind}: "

"""What ``mediashelf prepare`` and ``mediashelf plan show`` print for people."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

from msgspec.structs import replace

from mediashelf.cli.bench.eject_text import eject_text
from mediashelf.cli.render import say, say_findings, say_wrapped, summary, table
from mediashelf.findings import Finding, Severity
from mediashelf.reports.bench.sheet_contents import about_machine
from mediashelf.sessions.card_space import READ_SPEED, WRITE_SPEED, copying_seconds
from mediashelf.sessions.cards.placed import Action, PlacedDisc
from mediashelf.sessions.discs.glance import boot_ways
from mediashelf.sessions.discs.preflight import CheckedDisc
from mediashelf.sessions.plans.machine import PlannedMachine
from mediashelf.sessions.plans.session_plan import SessionPlan
from mediashelf.sessions.prepare import CheckedSession, PreparedCard
from mediashelf.text import count_text, size_text

PLACES_SHOWN = 3  # of one rule and disc

_ACTION_WORDS = {
    Action.KEEP: "is there, kept",
    Action.RENAME: "is there, renamed",
    Action.COPY: "copy",
    Action.CONVERT: "convert",
    Action.BUILD: "build",
    Action.REPEAT: "same file again",
    Action.NOTHING: "cannot be served",
}


def say_checked(session: CheckedSession, *, is_dry_run: bool, quiet: bool) -> None:
    """Print what the checks found and what will happen to the card."""
    if not quiet:
        _say_head(session)
        headers = ["disc", "file on the card", "size", "checked for", "what happens"]
        rows = [_row(placed) for placed in session.arrangement.discs]
        for line in table(headers, rows, right="disc, size"):
            say(line)
        say()
    _say_findings(session.discs, session.findings, "card and machine", quiet)
    if not quiet:
        _say_work(session, is_dry_run)


def say_plan(
    plan: SessionPlan,
    discs: Sequence[CheckedDisc],
    about_machine: Sequence[Finding],
    *,
    quiet: bool,
) -> None:
    """Print a session as a table, and what was found about its discs and machine."""
    if not quiet:
        _say_title(plan)
        say()
        headers = ["disc", "label", "size", "boots", "checked for", "purpose"]
        for line in table(headers, [_plan_row(disc) for disc in discs], right="disc, size"):
            say(line)
        say()
        if lines := [*_machine_lines(plan.machine), *_step_lines(plan)]:
            for indent, line in lines:
                say_wrapped(line, indent=indent)
            say()
    _say_findings(discs, about_machine, "machine", quiet)
    if not quiet:
        total = sum(disc.size for disc in discs if disc.repeats is None)
        seconds = _time_text(copying_seconds(total))
        say_wrapped(f"{size_text(total)} in all, about {seconds} to put on a slow card.")


def say_prepared(prepared: PreparedCard, *, quiet: bool) -> None:
    """Print what is on the card now."""
    if quiet:
        return
    manifest, card = prepared.manifest, prepared.session.card
    for file in prepared.tidied:
        say_wrapped(f"removed: {file.path}, {size_text(file.size)}")
    count = count_text(len(manifest.images), "image")
    say_wrapped(f"{count} on the card, every byte read back and verified.")
    if any(one.confirmed != "device" for one in prepared.discs):
        say_wrapped(
            "This system may have read the card's bytes from its cache: check the card again "
            "on the board."
        )
    open_count = sum(
        row.count
        for row in (
            *manifest.open_findings,
            *(row for disc in manifest.discs for row in disc.open_findings),
        )
        if row.severity != "note"
    )
    if open_count:
        say_wrapped(
            f"{count_text(open_count, 'warning or error', 'warnings and errors')} recorded as "
            "open in the manifest."
        )
    sheets = " and ".join(file.path for file in manifest.other_files)
    say_wrapped(f"For the bench, in {card}: {sheets}")
    if advice := eject_text(card):
        say_wrapped(advice)
    say_wrapped(f"Next, on the board: mediashelf manifest {card}")


def _say_findings(
    discs: Sequence[CheckedDisc], others: Sequence[Finding], title: str, quiet: bool
) -> None:
    lowest = Severity.WARNING if quiet else Severity.NOTE
    for disc in discs:
        shown = [one for one in disc.findings if one.severity >= lowest]
        _say_part(f"disc {disc.position}, {disc.name}", shown)
    _say_in_order(title, [one for one in others if one.severity >= lowest])


def _say_title(plan: SessionPlan) -> None:
    machine = f", for {plan.machine.name}" if plan.machine.name else ""
    say_wrapped(f"{plan.name}{machine}")


def _machine_lines(machine: PlannedMachine) -> Iterator[tuple[int, str]]:
    """Yield what the plan says of the machine: indents and lines."""
    if facts := about_machine(machine):
        yield 0, f"machine: {facts}"
    for text in machine.settings:
        yield 0, f"setting: {text}"
    for part in machine.parts:
        yield 0, f"part: {part.words}"
    if machine.notes:
        yield 0, f"note: {machine.notes}"


def _step_lines(plan: SessionPlan) -> Iterator[tuple[int, str]]:
    if len(plan.systems) > 1:
        yield 0, f"order of systems: {', '.join(plan.systems)}"
    for step in plan.steps:
        side = "before" if step.is_before else "after"
        where = f", {side} disc {step.position}" if step.position else ", first"
        yield 0, f"step{f' for {step.system}' if step.system else ''}{where}: {step.do}"
        for number, one in enumerate(step.partitions, start=1):
            yield 2, f"{number}. {one.words}"


def _say_head(session: CheckedSession) -> None:
    _say_title(session.plan)
    kind = session.facts.kind.name if session.facts.kind else session.facts.type_name
    free = f"{size_text(session.facts.free)} free" if session.facts.size else ""
    details = ", ".join(word for word in (kind, free) if word) or "free space unknown"
    say_wrapped(f"card {session.card} ({details})")
    say()


def _row(placed: PlacedDisc) -> tuple[str, ...]:
    disc = placed.disc
    action = _ACTION_WORDS[placed.action]
    if placed.write_size and placed.image is not None and placed.image.padding:
        action += ", padded"
    return str(disc.position), placed.path, size_text(disc.size), _passed(disc), action


def _plan_row(disc: CheckedDisc) -> tuple[str, ...]:
    again = f"disc {disc.repeats} again: " if disc.repeats else ""
    after = ", ".join(str(position) for position in disc.planned.after_positions)
    purpose = f"{again}{disc.planned.purpose}" + (f" (after disc {after})" if after else "")
    boots = ", ".join(way.method for way in boot_ways(disc.source.facts)) or "no"
    boots += "; may erase" if disc.may_erase else ""
    return str(disc.position), disc.name, size_text(disc.size), boots, _passed(disc), purpose


def _passed(disc: CheckedDisc) -> str:
    if not disc.targets:
        return "no system"
    return ", ".join(
        target if target in disc.passed else f"{target} (errors)" for target in disc.targets
    )


def _say_part(title: str, findings: Sequence[Finding]) -> None:
    if findings:
        say_wrapped(f"-- {title}: {summary(findings)}")
        say_findings(findings, limit=PLACES_SHOWN)
        say()


def _say_in_order(title: str, findings: Sequence[Finding]) -> None:
    """Print findings in the order in which a person acts on them, like ones together."""
    if findings:
        say_wrapped(f"-- {title}: {summary(findings)}")
        shown = _for_several(findings)
        for _, alike in groupby(shown, key=lambda one: (one.rule, one.target)):
            say_findings(list(alike), limit=PLACES_SHOWN)
        say()


def _for_several(findings: Sequence[Finding]) -> list[Finding]:
    """Return findings that differ in their system alone as one, in the place of the first."""
    systems: dict[Finding, list[str]] = {}
    for one in findings:
        systems.setdefault(replace(one, target=""), []).append(one.target)
    return [replace(one, target=", ".join(names)) for one, names in systems.items()]


def _say_work(session: CheckedSession, is_dry_run: bool) -> None:
    size = session.arrangement.write_size
    if session.arrangement.obsolete:
        count = count_text(len(session.arrangement.obsolete), "file")
        say_wrapped(f"{count} of earlier sessions on the card, not used by this one (--tidy).")
    if size and is_dry_run:
        say_wrapped(
            f"{size_text(size)} to copy, about {_time_text(copying_seconds(size))} on a card that "
            f"writes {size_text(WRITE_SPEED)} and reads {size_text(READ_SPEED)} a second."
        )
    if is_dry_run:
        say_wrapped("Nothing was changed.")


def _time_text(seconds: int) -> str:
    return count_text(seconds, "second") if seconds < 90 else f"{round(seconds / 60):,} minutes"

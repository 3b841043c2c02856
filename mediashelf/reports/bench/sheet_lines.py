"""The run sheet as plain text, for printers and terminals of any age."""

from __future__ import annotations

from collections.abc import Iterator

from mediashelf.reports.bench.sheet_facts import RunSheet, SheetDisc, SheetFinding
from mediashelf.text import count_text, size_text, wrap

TEXT_WIDTH = 79  # a line of 80 makes some printers and terminals add an empty one
_NOTE_LINES = 2


def text_lines(sheet: RunSheet) -> Iterator[str]:
    yield from wrap(f"RUN SHEET: {sheet.name}", TEXT_WIDTH)
    if sheet.machine:
        yield from wrap(f"Machine: {sheet.machine}", TEXT_WIDTH)
    yield f"{count_text(len(sheet.discs), 'disc')}, {size_text(sheet.size)} on the card"
    yield f"Prepared {sheet.created}"
    yield ""
    yield from _text_caution(sheet)
    if sheet.before:
        yield from _text_heading("Before the first disc")
        yield from _text_findings(sheet.before, "", tick="[ ] ")
    yield from _text_heading("Disc by disc")
    for one in sheet.discs:
        yield from _text_disc(one)
    yield from _text_heading("If the disc will not eject")
    for number, line in enumerate(sheet.stuck, start=1):
        yield from wrap(line, TEXT_WIDTH, lead=f"{number}. ")
    yield ""
    yield from _text_heading("After the session")
    yield from wrap(
        f"Record the results: mediashelf session note {sheet.example_code} worked, or failed "
        "and why; "
        "then mediashelf session report.",
        TEXT_WIDTH,
    )
    yield ""
    yield from _text_heading("The files")
    for file in sheet.files:
        text = f"disc {file.positions}, {file.code}: {file.path}, {file.size:,} bytes"
        yield from wrap(text, TEXT_WIDTH)
        yield f"  sha256 {file.sha256}"
    yield ""
    yield from wrap(f"Made by {sheet.created_by} from the card's manifest.", TEXT_WIDTH)


def _text_caution(sheet: RunSheet) -> Iterator[str]:
    frame = "*" * TEXT_WIDTH
    yield frame
    yield "* CAUTION"
    for line in sheet.cautions:
        yield from wrap(line, TEXT_WIDTH, lead="* - ", rest="*   ")
    yield frame
    yield ""


def _text_heading(text: str) -> Iterator[str]:
    yield text
    yield "=" * len(text)
    yield ""


def _text_disc(one: SheetDisc) -> Iterator[str]:
    yield "-" * TEXT_WIDTH
    yield from wrap(
        f"{one.disc.code}  {one.title}", TEXT_WIDTH, lead=f"[ ] {one.disc.position:>2}  "
    )
    inside = " " * 8
    if one.disc.purpose:
        yield from wrap(one.disc.purpose, TEXT_WIDTH, lead=inside)
    yield ""
    for name, text in _text_facts(one):
        yield from wrap(text, TEXT_WIDTH, lead=f"{inside}{name + ':':<15} ")
    if one.watch:
        yield ""
        yield f"{inside}Watch for"
        yield from _text_findings(one.watch, inside)
    yield ""
    yield f"{inside}[ ] failed; notes:"
    for _ in range(_NOTE_LINES):
        yield ""
        yield inside + "_" * (TEXT_WIDTH - len(inside))
    yield ""


def _text_facts(one: SheetDisc) -> Iterator[tuple[str, str]]:
    if one.disc.expect:
        yield "On screen", one.disc.expect
    yield from one.facts
    if one.inside:
        yield "Inside", f"{one.inside}: {one.top_names}" if one.top_names else one.inside


def _text_findings(
    rows: tuple[SheetFinding, ...], inside: str, *, tick: str = "- "
) -> Iterator[str]:
    further = inside + " " * len(tick)
    for row in rows:
        place = f"{row.where}: " if row.where else ""
        extent = f" ({row.extent})" if row.extent else ""
        text = f"{row.severity.upper()}: {place}{row.message}{extent}"
        yield from wrap(text, TEXT_WIDTH, lead=f"{inside}{tick}", rest=further)
        if row.remedy:
            yield from wrap(f"To do: {row.remedy}", TEXT_WIDTH, lead=further)
        if row.source:
            yield from wrap(f"Source: {row.source}", TEXT_WIDTH, lead=further)
    yield ""

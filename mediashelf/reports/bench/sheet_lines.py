"""The run sheet as plain text, for printers and terminals of any age."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from mediashelf.reports.bench.sheet_chapters import SheetChapter, SheetDevice, SheetItem
from mediashelf.reports.bench.sheet_contents import RunSheet
from mediashelf.reports.bench.sheet_facts import SheetDisc, SheetFinding
from mediashelf.sessions.plans.steps import PlanStep
from mediashelf.text import count_text, display_width, size_text, wrap

TEXT_WIDTH = 79  # a line of 80 makes some printers and terminals add an empty one
_NOTE_LINES = 2
_INSIDE = " " * 8


def text_lines(sheet: RunSheet) -> Iterator[str]:
    yield from wrap(f"RUN SHEET: {sheet.name}", TEXT_WIDTH)
    if sheet.machine:
        yield from wrap(f"Machine: {sheet.machine}", TEXT_WIDTH)
    if sheet.about_machine:
        yield from wrap(sheet.about_machine, TEXT_WIDTH, lead="  ")
    yield f"{count_text(sheet.disc_count, 'disc')}, {size_text(sheet.size)} on the card"
    yield f"Prepared {sheet.created}"
    yield ""
    yield from _text_caution(sheet)
    yield from _text_heading("Order of systems")
    for chapter in sheet.chapters:
        discs = f": {chapter.positions}" if chapter.positions else ""
        yield from wrap(f"{chapter.title}{discs}", TEXT_WIDTH, lead="[ ] ", rest="    ")
    yield ""
    yield from _text_machine(sheet)
    for chapter in sheet.chapters:
        yield from _text_chapter(chapter)
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
    yield from wrap(f"Made by {sheet.created_by}.", TEXT_WIDTH)


def _text_machine(sheet: RunSheet) -> Iterator[str]:
    if not (sheet.settings or sheet.parts or sheet.before or sheet.steps or sheet.notes):
        return
    yield from _text_heading("The machine, before the first disc")
    for line in sheet.settings:
        yield from wrap(line, TEXT_WIDTH, lead="[ ] ", rest="    ")
    for step in sheet.steps:
        yield from _text_step(step)
    for part in sheet.parts:
        yield from wrap(part.words, TEXT_WIDTH, lead="    - ")
    if sheet.notes:
        yield from wrap(sheet.notes, TEXT_WIDTH, lead="    ")
    yield from _text_findings(sheet.before, "", tick="[ ] ")


def _text_chapter(chapter: SheetChapter) -> Iterator[str]:
    yield from _text_heading(f"For {chapter.title}")
    yield from _text_findings(chapter.watch, "", tick="[ ] ")
    for item in chapter.items:
        if item.step is not None:
            yield from _text_step(item.step, item.watch)
            if not item.watch:
                yield ""
        elif item.disc is not None:
            yield from _text_disc(item.disc, item)
    yield from _text_devices(chapter.devices)


def _text_step(step: PlanStep, watch: Sequence[SheetFinding] = ()) -> Iterator[str]:
    yield from wrap(step.do, TEXT_WIDTH, lead="[ ] ", rest="    ")
    for number, one in enumerate(step.partitions, start=1):
        yield from wrap(one.words, TEXT_WIDTH, lead=f"      {number}. ")
    yield from _text_findings(watch, "    ")


def _text_devices(devices: Sequence[SheetDevice]) -> Iterator[str]:
    if not devices:
        return
    yield "Drivers: point the system at"
    for one in devices:
        where = f" ({one.where})" if one.where else ""
        target = ", ".join(word for word in (one.folder, one.state) if word)
        tick = "[ ] " if one.folder else "    "
        yield from wrap(f"{one.device}{where}: {target}", TEXT_WIDTH, lead=tick, rest="    ")
    yield ""


def _text_caution(sheet: RunSheet) -> Iterator[str]:
    frame = "*" * TEXT_WIDTH
    yield frame
    yield "* CAUTION"
    for line in sheet.cautions:
        yield from wrap(line, TEXT_WIDTH, lead="* - ", rest="*   ")
    yield frame
    yield ""


def _text_heading(text: str) -> Iterator[str]:
    lines = list(wrap(text, TEXT_WIDTH))
    yield from lines
    yield "=" * max(display_width(line) for line in lines)
    yield ""


def _text_disc(one: SheetDisc, item: SheetItem) -> Iterator[str]:
    yield "-" * TEXT_WIDTH
    title = f"{one.disc.code}  {one.title}" + ("  MAY ERASE" if one.disc.erases else "")
    yield from wrap(title, TEXT_WIDTH, lead=f"{one.disc.position:>6}  ")
    if one.disc.purpose:
        yield from wrap(one.disc.purpose, TEXT_WIDTH, lead=_INSIDE)
    if item.is_again:
        yield from wrap(
            f"{one.facts[0][1]}; more about it in a chapter above", TEXT_WIDTH, lead=_INSIDE
        )
    else:
        yield ""
        for name, text in _text_facts(one):
            yield from wrap(text, TEXT_WIDTH, lead=f"{_INSIDE}{name + ':':<15} ")
    if item.watch:
        yield ""
        yield from _text_findings(item.watch, _INSIDE)
    else:
        yield ""
    yield f"{_INSIDE}[ ] worked   [ ] failed   Notes:"
    for _ in range(_NOTE_LINES):
        yield ""
        yield _INSIDE + "_" * (TEXT_WIDTH - len(_INSIDE))
    yield ""


def _text_facts(one: SheetDisc) -> Iterator[tuple[str, str]]:
    if one.disc.expect:
        yield "On screen", one.disc.expect
    yield from one.facts


def _text_findings(rows: Sequence[SheetFinding], inside: str, *, tick: str = "- ") -> Iterator[str]:
    further = inside + " " * len(tick)
    for row in rows:
        mark = f"{row.severity.upper()}: " if row.is_urgent else ""
        yield from wrap(f"{mark}{row.action}", TEXT_WIDTH, lead=f"{inside}{tick}", rest=further)
        if row.reason:
            yield from wrap(row.reason, TEXT_WIDTH, lead=further)
    if rows:
        yield ""

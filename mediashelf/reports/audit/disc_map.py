"""The map of a damaged image: where on the disc the damage is, and which files it hits.

All places are per cent of the drawn length, so that one drawing fits a phone, a
screen and paper while its letters keep their size. What is closer together
than can be told apart is drawn as one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from msgspec import Struct

from mediashelf.findings import Finding, Severity
from mediashelf.integrity.structure.damage import Span, TouchedEntry
from mediashelf.reports.allowance import RowAllowance
from mediashelf.reports.scale import Tick, nice_ticks
from mediashelf.text import count_text, part_text, size_text

FILES_SHOWN = 15
RESOLUTION = 0.5
"""Per cent of the drawn length; marks with a smaller gap between them are drawn as one."""

_NUMBER_ROOM = 5.0  # per cent that the number above a mark needs on a phone
_CLAIM_LIMIT = 4  # times the file's size; a damaged record may claim any place


class Mark(Struct, frozen=True):
    """A run of bytes: start and width in per cent, and the number written above it (0: none)."""

    start: float
    width: float
    number: int = 0

    @property
    def middle(self) -> float:
        """The place of the number, in per cent."""
        return round(self.start + self.width / 2, 3)


class PlaceMark(Struct, frozen=True):
    """Findings at one place, by the worst of them; ``width`` is 0 where their length is unknown."""

    start: float
    width: float
    severity: str
    count: int


class MappedFile(Struct, frozen=True):
    """A file that is hit: where its bytes lie, and which of them are in doubt."""

    path: str
    words: str
    places: tuple[Mark, ...]
    hits: tuple[Mark, ...]


class DiscMap(Struct, frozen=True):
    """A drawing of one image. ``total`` is the drawn length in bytes, ``file_end`` in per cent.

    ``files_left_out`` are hit as well and not drawn, ``beyond`` are findings past
    the drawn end.
    """

    total: int
    file_end: float
    words: str
    ticks: tuple[Tick, ...]
    damage: tuple[Mark, ...]
    findings: tuple[PlaceMark, ...]
    files: tuple[MappedFile, ...]
    files_left_out: int
    beyond: int


def draw_disc_map(
    size: int,
    *,
    recorded_size: int = 0,
    damage: Sequence[Span] = (),
    touched: Sequence[TouchedEntry] = (),
    findings: Iterable[Finding] = (),
    allowance: RowAllowance,
) -> DiscMap | None:
    """Return the map of an image file of ``size`` bytes, None where nothing has a place.

    ``damage`` are the bytes that are wrong, or missing where the file has ended;
    ``touched`` the entries with bytes there. Findings without an offset have no
    place; notes alone need no map.
    """
    placed = [finding for finding in findings if finding.offset is not None]
    if not damage and all(finding.severity is Severity.NOTE for finding in placed):
        return None
    total = _drawn_length(size, recorded_size, damage, placed)
    if not total:
        return None
    scale = _Scale(total)
    known = {(span.offset, span.length) for span in damage}
    apart = [finding for finding in placed if (finding.offset, finding.length) not in known]
    inside = [finding for finding in apart if (finding.offset or 0) < total]
    wrong = list(_common(damage, [Span(0, size)])) if size else []
    hit = [entry for entry in touched if entry.places]
    shown = allowance.take(len(hit), FILES_SHOWN)
    return DiscMap(
        total=total,
        file_end=scale.percent(size),
        words=_words(size, total, wrong, len(hit)),
        ticks=nice_ticks(total),
        damage=_numbered(scale.marks(wrong)),
        findings=tuple(_place_marks(scale, inside)),
        files=tuple(_file(scale, entry, damage) for entry in hit[:shown]),
        files_left_out=len(hit) - shown,
        beyond=len(apart) - len(inside),
    )


def _drawn_length(
    size: int, recorded_size: int, damage: Iterable[Span], findings: Iterable[Finding]
) -> int:
    sure = max(size, recorded_size)
    claims = [span.offset + span.length for span in damage]
    claims += [(finding.offset or 0) + (finding.length or 0) for finding in findings]
    return max([sure, *(claim for claim in claims if claim <= _CLAIM_LIMIT * sure)])


class _Scale:
    """Bytes as per cent of the drawn length."""

    def __init__(self, total: int) -> None:
        self._total = total

    def percent(self, offset: int) -> float:
        return round(100 * min(max(offset, 0), self._total) / self._total, 3)

    def mark(self, span: Span) -> Mark:
        start = self.percent(span.offset)
        return Mark(start, round(self.percent(span.offset + span.length) - start, 3))

    def marks(self, spans: Iterable[Span]) -> tuple[Mark, ...]:
        """Return the marks of spans in order; those too close to be told apart are joined."""
        marks: list[Mark] = []
        for mark in (self.mark(span) for span in sorted(spans)):
            if marks and mark.start - (marks[-1].start + marks[-1].width) < RESOLUTION:
                start = marks[-1].start
                end = max(start + marks[-1].width, mark.start + mark.width)
                marks[-1] = Mark(start, round(end - start, 3))
            else:
                marks.append(mark)
        return tuple(marks)


def mark_number(drawn: DiscMap, offset: int) -> int:
    """Return the number of the damage mark that stands for a byte, 0 where none does."""
    at = 100 * offset / drawn.total
    for number, mark in enumerate(drawn.damage, 1):
        if mark.start - RESOLUTION < at <= mark.start + mark.width + RESOLUTION:
            return number
    return 0


def _numbered(marks: Sequence[Mark]) -> tuple[Mark, ...]:
    """Number the marks in order, and write the numbers where there is room for them."""
    numbered: list[Mark] = []
    free_from = 0.0
    for number, mark in enumerate(marks, 1):
        has_room = len(marks) > 1 and mark.middle >= free_from
        if has_room:
            free_from = mark.middle + _NUMBER_ROOM
        numbered.append(Mark(mark.start, mark.width, number if has_room else 0))
    return tuple(numbered)


def _place_marks(scale: _Scale, findings: Iterable[Finding]) -> Iterator[PlaceMark]:
    """Yield one mark for the findings of each place that can be told apart."""
    places: dict[int, list[Finding]] = {}
    for finding in findings:
        place = int(scale.percent(finding.offset or 0) / RESOLUTION)
        places.setdefault(place, []).append(finding)
    for _, group in sorted(places.items()):
        marks = [scale.mark(Span(one.offset or 0, one.length or 0)) for one in group]
        start = min(mark.start for mark in marks)
        end = max(mark.start + mark.width for mark in marks)
        worst = max(one.severity for one in group)
        yield PlaceMark(start, round(end - start, 3), worst.word, len(group))


def _file(scale: _Scale, entry: TouchedEntry, damage: Sequence[Span]) -> MappedFile:
    return MappedFile(
        entry.path,
        part_text(entry.touched, entry.size),
        scale.marks(entry.places),
        scale.marks(_common(entry.places, damage)),
    )


def _common(places: Iterable[Span], spans: Sequence[Span]) -> Iterator[Span]:
    """Yield the runs of bytes that are in both."""
    for place in places:
        for span in spans:
            start = max(place.offset, span.offset)
            end = min(place.offset + place.length, span.offset + span.length)
            if start < end:
                yield Span(start, end - start)


def _words(size: int, total: int, wrong: Sequence[Span], file_count: int) -> str:
    """Return what the drawing shows for whoever cannot see it."""
    parts = [f"Map of {size_text(total)}"]
    if wrong:
        length = sum(span.length for span in wrong)
        runs = count_text(len(wrong), "run")
        parts.append(f"{size_text(length)} in {runs} of bytes are wrong")
        parts.append(f"the first begins at {size_text(min(wrong).offset)}")
    if size < total:
        parts.append(f"the file ends at {size_text(size)}, {size_text(total - size)} are missing")
    if file_count:
        parts.append(f"{count_text(file_count, 'file')} hit")
    return "; ".join(parts)

"""Cue sheets: which tracks a disc has, and where they are in which file.

The grammar is the one in the libcdio manual ("BIN/CUE Grammar"): FILE, TRACK,
FLAGS, PREGAP, INDEX, POSTGAP, CATALOG, REM. Words for texts about a disc, file
types other than BINARY and further track types are common practice.

Times are minutes:seconds:frames from the start of the file, 75 frames a second,
without the 150 that addresses in sectors have.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import NamedTuple

from msgspec import Struct, field
from msgspec.structs import replace

from mediashelf.formats.raw.cue_words import (
    Word,
    frames_text,
    join_name,
    parse_time,
    parse_two_digits,
    parse_words,
    refuse,
)
from mediashelf.formats.raw.sectors import LAYOUTS, SectorLayout
from mediashelf.text import did_you_mean

_FILE_TYPES = ("BINARY", "MOTOROLA", "WAVE", "AIFF", "MP3")
_TEXTS = (  # words that are followed by any text
    "REM",
    "TITLE",
    "PERFORMER",
    "SONGWRITER",
    "ISRC",
    "CDTEXTFILE",
)
FLAGS = ("DCP", "4CH", "PRE", "SCMS", "DATA")

_AFTER_TEXT = "\0\x1a"
"""What editors of DOS leave at a text's end: a mark, and the rest of a block (common practice)."""

_CONTROL = re.compile(r"[\x00-\x1f\x7f]")


class CueTrack(Struct, frozen=True):
    """One track. ``indexes`` maps index numbers to frames from the start of its file.

    ``pregap`` and ``postgap`` are frames that the disc has and the file does not.
    ``line`` is where the sheet declares it, counted from 1.
    """

    number: int
    layout: SectorLayout
    line: int
    indexes: dict[int, int] = field(default_factory=dict)
    pregap: int = 0
    postgap: int = 0
    flags: tuple[str, ...] = ()

    @property
    def start(self) -> int:
        """The frame of index 1, where the track's content begins."""
        return self.indexes[1]

    @property
    def first(self) -> int:
        """The track's first frame in its file: of index 0, a stored pregap, or else of index 1."""
        return self.indexes.get(0, self.start)


class CueFile(Struct, frozen=True):
    """One file that a sheet names, with its tracks in order; ``column`` is the name's."""

    name: str
    kind: str
    line: int
    column: int
    tracks: tuple[CueTrack, ...] = ()


class CueSheet(Struct, frozen=True):
    """A sheet's files in order, and its catalogue number or the empty string."""

    files: tuple[CueFile, ...]
    catalog: str = ""


def parse_cue(text: str) -> CueSheet:
    """Return what a cue sheet says; anything else is a :class:`FormatError`.

    The error's place is the line and the column, both from 1. Whether the files
    exist and hold what they should is not checked.
    """
    parser = _Parser()
    text = text.rstrip(_AFTER_TEXT)
    for number, line in enumerate(re.split(r"\r\n|\r|\n", text), start=1):
        parser.take(line, number)
    return parser.finish()


class _Parser:
    """Takes a sheet line by line, and holds what the lines so far have said."""

    def __init__(self) -> None:
        self.files: list[CueFile] = []
        self.catalog = ""
        self._tracks: list[CueTrack] = []  # of the file at hand
        self._place = Word("", 1, 1)  # of the last FILE or TRACK

    def take(self, line: str, number: int) -> None:
        command = line.split()[0].upper() if line.split() else "REM"
        if command in _TEXTS:
            return
        words = parse_words(line, number)
        form = _FORMS.get(command)
        if form is None:
            near = did_you_mean(command, map(str.lower, _FORMS))
            refuse("command", words[0], f"one of {', '.join([*_FORMS, *_TEXTS])}{near}")
        arguments = (join_name(words, line) if command == "FILE" else words)[1:]
        if len(arguments) < form.least:
            refuse("next word", Word("", number, len(line) + 1), form.usage)
        if len(arguments) > form.most:
            refuse("extra word", arguments[form.most], form.usage)
        form.take(self, arguments)

    def finish(self) -> CueSheet:
        if not self.files:
            refuse("sheet", self._place, "a FILE and a TRACK")
        self._close_file()
        return CueSheet(tuple(self.files), self.catalog)

    def take_catalog(self, arguments: list[Word]) -> None:
        number = arguments[0]
        if not re.fullmatch(r"\d{13}", number.text, re.ASCII):
            refuse("catalogue number", number, "13 digits")
        if self.catalog:
            refuse("second CATALOG", number, "one in a sheet")
        self.catalog = number.text

    def take_file(self, arguments: list[Word]) -> None:
        name, kind = arguments
        if not name.text or _CONTROL.search(name.text):
            refuse("file name", name, "a name without control characters")
        if kind.text.upper() not in _FILE_TYPES:
            refuse("file type", kind, f"one of {', '.join(_FILE_TYPES)}")
        if self.files:
            self._close_file()
        self.files.append(CueFile(name.text, kind.text.upper(), name.line, name.column))
        self._place = name

    def take_track(self, arguments: list[Word]) -> None:
        number, kind = arguments
        if not self.files:
            refuse("TRACK", number, "a FILE before it")
        self._close_track()
        value = parse_two_digits(number, "track number", 1)
        last = self._last_track()
        if last is not None and value != last.number + 1:
            refuse("track number", number, f"{last.number + 1:02}, as it follows {last.number:02}")
        layout = LAYOUTS.get(kind.text.upper())
        if layout is None:
            refuse("track type", kind, f"one of {', '.join(LAYOUTS)}")
        if layout.is_data and self.files[-1].kind != "BINARY":
            refuse("track type", kind, f"AUDIO in a file of type {self.files[-1].kind}")
        self._tracks.append(CueTrack(value, layout, number.line))
        self._place = number

    def take_flags(self, arguments: list[Word]) -> None:
        track = self._track("FLAGS", arguments[0], before_indexes=True)
        if track.flags:
            refuse("second FLAGS", arguments[0], "one in a track")
        for word in arguments:
            if word.text.upper() not in FLAGS:
                refuse("flag", word, f"one of {', '.join(FLAGS)}")
        self._tracks[-1] = replace(track, flags=tuple(word.text.upper() for word in arguments))

    def take_pregap(self, arguments: list[Word]) -> None:
        track = self._track("PREGAP", arguments[0], before_indexes=True)
        if track.pregap:
            refuse("second PREGAP", arguments[0], "one in a track")
        self._tracks[-1] = replace(track, pregap=parse_time(arguments[0]))

    def take_postgap(self, arguments: list[Word]) -> None:
        track = self._track("POSTGAP", arguments[0])
        if track.postgap or 1 not in track.indexes:
            refuse("POSTGAP", arguments[0], "one in a track, after its INDEX 01")
        self._tracks[-1] = replace(track, postgap=parse_time(arguments[0]))

    def take_index(self, arguments: list[Word]) -> None:
        number, time = arguments
        track = self._track("INDEX", number)
        value = parse_two_digits(number, "index number", 0)
        frames = parse_time(time)
        if not track.indexes and value > 1:
            refuse("index number", number, "00 or 01, as the first of its track")
        if track.indexes and value != max(track.indexes) + 1:
            refuse("index number", number, f"{max(track.indexes) + 1:02}, as it follows")
        earlier = [frame for other in self._tracks for frame in other.indexes.values()]
        if earlier and frames < earlier[-1]:
            refuse("index time", time, f"{frames_text(earlier[-1])} or later, as it follows")
        if not track.indexes and len(self._tracks) > 1 and frames <= self._tracks[-2].start:
            refuse("index time", time, f"later than {frames_text(self._tracks[-2].start)}")
        self._tracks[-1] = replace(track, indexes={**track.indexes, value: frames})

    def _track(self, command: str, word: Word, *, before_indexes: bool = False) -> CueTrack:
        if not self._tracks:
            refuse(command, word, "a TRACK before it")
        if before_indexes and self._tracks[-1].indexes:
            refuse(command, word, "it before the track's first INDEX")
        return self._tracks[-1]

    def _last_track(self) -> CueTrack | None:
        finished = [track for file in self.files for track in file.tracks]
        return [*finished, *self._tracks][-1] if finished or self._tracks else None

    def _close_track(self) -> None:
        if self._tracks and 1 not in self._tracks[-1].indexes:
            refuse("track", self._place, "an INDEX 01 before the track ends")

    def _close_file(self) -> None:
        if not self._tracks:
            refuse("file", self._place, "a TRACK before the next FILE or the end")
        self._close_track()
        self.files[-1] = replace(self.files[-1], tracks=tuple(self._tracks))
        self._tracks = []


class _Form(NamedTuple):
    usage: str
    take: Callable[[_Parser, list[Word]], None]
    least: int
    most: int


_FORMS = {
    "FILE": _Form('FILE "NAME" TYPE', _Parser.take_file, 2, 2),
    "TRACK": _Form("TRACK NN TYPE", _Parser.take_track, 2, 2),
    "INDEX": _Form("INDEX NN MM:SS:FF", _Parser.take_index, 2, 2),
    "PREGAP": _Form("PREGAP MM:SS:FF", _Parser.take_pregap, 1, 1),
    "POSTGAP": _Form("POSTGAP MM:SS:FF", _Parser.take_postgap, 1, 1),
    "FLAGS": _Form("FLAGS FLAG …", _Parser.take_flags, 1, len(FLAGS)),
    "CATALOG": _Form("CATALOG NUMBER", _Parser.take_catalog, 1, 1),
}

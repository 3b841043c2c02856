"""Does the boot floppy inside a disc give DOS a drive letter for the disc that it came from?

Two programs are needed: a driver that ``CONFIG.SYS`` loads under a name, and the CD
redirector that ``AUTOEXEC.BAT`` starts with the same name (Microsoft KB Q93234 and
Q135174; that both say ``/D:NAME`` is common practice). Whether the driver knows the
drive that it meets cannot be seen here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from msgspec import Struct

from mediashelf.findings import Finding, Severity
from mediashelf.formats.fields import View
from mediashelf.formats.packed.fat import FatVolume, read_fat
from mediashelf.formats.volume import SECTOR_SIZE, DiscFacts

LONGEST_TEXT = 64 << 10  # bytes of a start file that are looked at

FLOPPY_MEDIA = (1, 2, 3)  # El Torito 1.0, figure 3

_MARK_OFFSET, _MARK = 510, b"\x55\xaa"

_DRIVER = re.compile(r"\s*DEVICE(?:HIGH)?\b[^=]*=(.*)", re.IGNORECASE)
_INSTALLED = re.compile(r"\s*INSTALL(?:HIGH)?\b[^=]*=(.*)", re.IGNORECASE)
_IDLE = re.compile(r"\s*(?:@?\s*REM\b|:|@?ECHO\b)", re.IGNORECASE)
_NAMED = re.compile(r"(?:^|\s)/D:([^\s,;/]+)", re.IGNORECASE)


class CdStart(Struct, frozen=True):
    """What a boot floppy loads for CD drives; names are in capitals.

    ``is_readable`` is False where the floppy has no volume that could be looked into.
    """

    drivers: tuple[str, ...] = ()
    redirected: tuple[str, ...] = ()
    is_readable: bool = True

    @property
    def names(self) -> tuple[str, ...]:
        """The drives for which both programs are loaded."""
        return tuple(name for name in self.drivers if name in self.redirected)


def find_cd_start(facts: DiscFacts, view: View) -> CdStart | None:
    """Return what the disc's boot floppy loads, None where the disc boots in no such way.

    ``view`` holds the disc's bytes.
    """
    for entry in facts.boot.entries if facts.boot is not None else ():
        if entry.is_bootable and entry.media_type & 0x0F in FLOPPY_MEDIA:
            return read_cd_start(view, entry.load_lba * SECTOR_SIZE)
    return None


def read_cd_start(view: View, offset: int = 0) -> CdStart:
    """Return what the floppy image at ``offset`` loads."""
    floppy = read_fat(view, offset)
    if floppy is None:
        return CdStart(is_readable=False)
    return parse_start_files(_text(floppy, "CONFIG.SYS"), _text(floppy, "AUTOEXEC.BAT"))


def check_floppy(view: View, where: str) -> Iterator[Finding]:
    """Yield a finding when firmware would not start the floppy."""
    mark = view.read(_MARK_OFFSET, len(_MARK))
    if mark != _MARK:
        yield Finding(
            "floppy-starts",
            Severity.NOTE,
            where,
            "the boot floppy's first sector does not end with the two bytes of one that starts",
            "make the floppy bootable, and make its image again",
            "common practice",
            mark.hex(" "),
            _MARK.hex(" "),
            _MARK_OFFSET,
        )


def parse_start_files(config: str, autoexec: str) -> CdStart:
    """Return what the two files load; whatever a menu or a condition would choose counts."""
    lines = config.splitlines()
    drivers = _names(_matching(_DRIVER, lines))
    commands = [line for line in autoexec.splitlines() if not _IDLE.match(line)]
    redirected = _names([*commands, *_matching(_INSTALLED, lines)])
    return CdStart(drivers, redirected)


def _matching(pattern: re.Pattern[str], lines: list[str]) -> Iterator[str]:
    for line in lines:
        match = pattern.match(line)
        if match:
            yield match[1]


def _names(lines: Iterator[str] | list[str]) -> tuple[str, ...]:
    found = (name.upper() for line in lines for name in _NAMED.findall(line))
    return tuple(dict.fromkeys(found))


def _text(floppy: FatVolume, name: str) -> str:
    return (floppy.read(name, LONGEST_TEXT) or b"").decode("cp437")

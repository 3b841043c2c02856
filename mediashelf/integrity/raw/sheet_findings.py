"""What is said of a raw disc's description: of its cue sheet, or of a file without one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from mediashelf.findings import Finding, Severity
from mediashelf.formats.raw.cue import CueFile


def check_sheet_beside(path: Path) -> Iterator[Finding]:
    """Yield a note where a bare file has a cue sheet of its name beside it."""
    for sheet in (path.with_suffix(".cue"), path.with_suffix(".CUE")):
        if sheet.is_file():
            yield Finding(
                "sheet-beside-image",
                Severity.NOTE,
                path.name,
                f"{sheet.name} is beside the file; without it the whole file is one track here",
                remedy=f"name {sheet.name} instead, if the disc has several tracks",
            )
            return


def scrambled(where: str, offset: int, size: int) -> Finding:
    """The sectors from byte ``offset`` of the file are scrambled, as on the disc itself."""
    return Finding(
        "sectors-scrambled",
        Severity.ERROR,
        where,
        "The sectors are scrambled, as they are on the disc itself",
        remedy="read the disc again in a way that descrambles sectors of data",
        source="common practice; the EDC of a descrambled sector is good",
        offset=offset,
        length=size,
    )


def other_folder(sheet: Path, file: CueFile, named: Path) -> Finding:
    """The sheet names a file by its path on another computer; the one beside it was read."""
    return Finding(
        "sheet-names-folder",
        Severity.NOTE,
        f"{sheet.name}, line {file.line}",
        f"the sheet names {file.name}; {named.name} beside the sheet was read",
        remedy="shorten it to the file's name, if that is the file",
        source="common practice",
    )


def wrong_size(sheet: Path, file: CueFile, found: CueFile) -> Finding:
    """The sheet says another sector size than the file has."""
    declared, real = file.tracks[0].layout, found.tracks[0].layout
    return Finding(
        "sheet-sector-size",
        Severity.WARNING,
        f"{sheet.name}, line {file.tracks[0].line}",
        f"The sheet says {declared.name}, but the sectors in {file.name} have {real.size:,} bytes",
        remedy=f"correct the sheet to {real.name}; it was read that way here",
        found=real.name,
        expected=declared.name,
    )

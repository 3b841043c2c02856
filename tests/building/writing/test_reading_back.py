"""Our own reader as the judge of a new disc: writers that get one directory record wrong.

Offsets in records are those of ECMA-119 9.1.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from build_trees import write_tree
from mediashelf.building.naming.directory import PlannedDirectory
from mediashelf.building.planning.disc_plan import DiscPlan, plan_disc
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.sources.digesting import PassingDigests
from mediashelf.building.writing import records
from mediashelf.building.writing.disc_writer import DiscWriter
from mediashelf.building.writing.reading_back import read_back_disc
from mediashelf.errors import BuildError

FILES = {
    "tools/ANSWER.TXT": b"answer" * 700,
    "tools/BEGIN.TXT": b"begin",
    "tools/CLOSE.TXT": b"close",
    "tools/NOTHING.TXT": b"",
}
Records = list[bytes]


def with_bytes(record: bytes, at: int, new: bytes) -> bytes:
    return record[:at] + new + record[at + len(new) :]


def named(record: bytes, letter: bytes) -> bytes:
    """Return a record under another name: the last letter of the identifier before its dot."""
    dot = record.index(b".", 33)
    return with_bytes(record, dot - (1 if record[dot - 1] else 2), letter)  # Joliet: two bytes each


def swapped(one: bytes, other: bytes) -> tuple[bytes, bytes]:
    """Return two records each with the place and the size of the other."""
    return with_bytes(one, 2, other[2:18]), with_bytes(other, 2, one[2:18])


# Each is given the records of /tools without its own two: ANSWER, BEGIN, CLOSE, NOTHING.
WRONG: dict[str, tuple[Callable[[Records], Records], str]] = {
    "first left out": (lambda found: found[1:], "entry 1 .* is /tools/BEGIN.TXT .*ANSWER"),
    "last left out": (lambda found: found[:-1], "entry 4 .* is missing, expected /tools/NOTHING"),
    "all left out": (lambda found: [], "entry 1 .* is missing, expected /tools/ANSWER"),
    "one more": (
        lambda found: [*found[:3], named(found[2], b"Z"), found[3]],
        r"entry 4 .* is /tools/CLOSZ\.TXT .*, expected /tools/NOTHING",
    ),
    "one more at the end": (
        lambda found: [*found, with_bytes(found[3], 33 + (found[3][33] == 0), b"Z")],
        r"entry 5 .* is /tools/ZOTHING\.TXT .*, expected nothing",
    ),
    "other name": (
        lambda found: [*found[:2], named(found[2], b"Z"), found[3]],
        r"entry 3 .* is /tools/CLOSZ\.TXT .*, expected /tools/CLOSE",
    ),
    "other date": (
        lambda found: [with_bytes(found[0], 20, b"\x09"), *found[1:]],
        "entry 1 .* date .*09.*, expected /tools/ANSWER",
    ),
    "other flags": (lambda found: [with_bytes(found[0], 25, b"\1"), *found[1:]], "entry 1 "),
    "two swapped": (
        lambda found: [*swapped(found[0], found[1]), *found[2:]],
        r"entry 1 .* is /tools/ANSWER\.TXT \(5 bytes.*, expected .* \(4,200 bytes",
    ),
    "two of one size swapped": (
        lambda found: [found[0], *swapped(found[1], found[2]), found[3]],
        r"entry 2 .* is /tools/BEGIN\.TXT \(5 bytes, LBA .*, expected .* \(5 bytes, LBA",
    ),
}


def write_wrongly(
    plan: DiscPlan, path: Path, wrong: PlannedDirectory, change: Callable[[Records], Records]
) -> None:
    real = records.directory_data

    def directory_data(directory: PlannedDirectory) -> bytes:
        data = real(directory)
        if directory is not wrong:
            return data
        found = []
        at = 0
        while data[at]:
            found.append(data[at : at + data[at]])
            at += data[at]
        changed = b"".join([*found[:2], *change(found[2:])])
        assert data != changed.ljust(len(data), b"\0")
        return changed.ljust(len(data), b"\0")

    with pytest.MonkeyPatch.context() as patched, PassingDigests() as digests:
        patched.setattr(records, "directory_data", directory_data)
        DiscWriter(plan, digests, lambda count: None).write(path)


@pytest.mark.parametrize("tree", ["ISO 9660", "Joliet"])
@pytest.mark.parametrize("name", WRONG)
def test_a_record_that_is_not_the_planned_one_is_told(name: str, tree: str, tmp_path: Path) -> None:
    plan = plan_disc(recipe_from_folders([write_tree(tmp_path / "top", FILES)], index=False))
    change, said = WRONG[name]
    directory = (plan.layout.iso if tree == "ISO 9660" else plan.layout.joliet)[1]
    write_wrongly(plan, tmp_path / "wrong.iso", directory, change)
    with pytest.raises(BuildError, match=f"(?i){said}") as caught:
        read_back_disc(plan, tmp_path / "wrong.iso")
    assert f"of the {tree} tree is" in str(caught.value)

"""Files of one tree found by path and by name, letter case aside; the first where several are."""

from __future__ import annotations

import pytest

from mediashelf.drivers.packages.numbered_names import NumberedNames
from mediashelf.formats.volume import Entry, VolumeFacts, VolumeKind

# ISO 9660 names that differ in case alone are on discs that other programs wrote.
PATHS = ("/A.SYS", "/a.sys", "/SUB", "/sub", "/SUB/B.SYS", "/SUB/b.Sys", "/sub/B.SYS", "/sub/a.sys")


@pytest.fixture
def names() -> NumberedNames:
    entries = tuple(
        Entry(path, path.rpartition("/")[2], 1, path.lower() == "/sub", ()) for path in PATHS
    )
    return NumberedNames(VolumeFacts(VolumeKind.ISO9660, "T", entries))


def paths_of(names: NumberedNames, numbers: object) -> list[str]:
    return [names.path(number) for number in numbers]  # type: ignore[attr-defined]


def test_every_entry_has_its_number_and_its_path(names: NumberedNames) -> None:
    assert len(names) == len(PATHS)
    assert sorted(names.path(number) for number in range(len(names))) == sorted(PATHS)
    files = {number: name for row in names.iter_files() for number, name in zip(*row, strict=True)}
    assert sorted(names.path(number) for number in files) == sorted({*PATHS} - {"/SUB", "/sub"})
    assert all(names.path(number).endswith(f"/{name}") for number, name in files.items())


@pytest.mark.parametrize(
    ("path", "found"),
    [
        ("/a.SYS", ["/A.SYS", "/a.sys"]),
        ("/sub/b.sys", ["/SUB/B.SYS", "/SUB/b.Sys", "/sub/B.SYS"]),
        ("/Sub/A.sys", ["/sub/a.sys"]),
        ("/sub", []),  # a folder
        ("/sub/c.sys", []),
        ("/none/a.sys", []),
    ],
)
def test_a_path_names_all_files_that_differ_in_case_alone(
    names: NumberedNames, path: str, found: list[str]
) -> None:
    for _ in range(2):  # what was learnt at the first time is used at the second
        assert paths_of(names, names.find(path)) == found


def test_of_several_the_one_of_just_that_path_is_found(names: NumberedNames) -> None:
    for path in PATHS:
        if path.lower() != "/sub":
            assert names.path(names.find_first(path)) == path
    for path in ("/A.Sys", "/sub/c.sys", "/sub"):
        with pytest.raises(KeyError):
            names.find_first(path)


def test_a_name_is_found_in_every_folder(names: NumberedNames) -> None:
    assert sorted(paths_of(names, names.find_names("A.sys"))) == ["/A.SYS", "/a.sys", "/sub/a.sys"]
    assert sorted(paths_of(names, names.find_names("b.sys"))) == sorted(
        ["/SUB/B.SYS", "/SUB/b.Sys", "/sub/B.SYS"]
    )
    assert list(names.find_names("sub")) == list(names.find_names("c")) == []


def test_of_one_path_twice_the_first_entry_is_found() -> None:
    twice = tuple(Entry("/A.SYS", "A.SYS", size, False, ()) for size in (5, 6))
    names = NumberedNames(VolumeFacts(VolumeKind.ISO9660, "T", twice))
    assert (list(names.find("/a.sys")), names.find_first("/A.SYS")) == ([0, 1], 0)

"""Bad TOML through each kind of file that people write: one way to say what is wrong.

The limits, and the wording, are own behaviour; what is TOML is TOML 1.0.0.
"""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable
from pathlib import Path
from time import process_time
from typing import NamedTuple

import pytest

from mediashelf.building.recipes.recipe import load_recipe
from mediashelf.errors import (
    InputError,
    MediashelfError,
    RecipeError,
    SessionPlanError,
    TargetError,
)
from mediashelf.readability.target_files import read_target
from mediashelf.sessions.discs.readiness import ROWS_PATH, read_readiness
from mediashelf.sessions.plans.session_plan import load_plan
from mediashelf.tables.bounds import MAX_DEPTH, MAX_FILE_SIZE, MAX_KEY_PARTS, MAX_WORD

MOST_MEMORY = 128 << 20
MOST_SECONDS = 5.0  # of the processor, with memory traced; all take far less


class Door(NamedTuple):
    """One kind of file: who reads it, a sound one, and a list of texts in it."""

    read: Callable[[Path], object]
    error: type[MediashelfError]
    sound: str
    texts_key: str
    path_key: str = ""


DOORS = {
    "recipe": Door(
        load_recipe,
        RecipeError,
        'targets = ["dos"]\n[[folder]]\nfrom = "drivers/lan"\n',
        "targets",
        "from",
    ),
    "plan": Door(
        load_plan,
        SessionPlanError,
        'name = "n"\ntargets = ["dos"]\n[[disc]]\nimage = "library/a.iso"\n',
        "targets",
        "image",
    ),
    "target": Door(
        read_target,
        TargetError,
        'title = "t"\nbased_on = "nt5"\ndrop = ["path_length"]\n',
        "drop",
    ),
    "readiness": Door(
        read_readiness,
        SessionPlanError,
        '[[row]]\nrule = "r"\ntargets = ["dos"]\nseverity = "note"\nmessage = "m"\n'
        'remedy = "x"\nsource = "common practice"\n',
        "targets",
    ),
}

each_door = pytest.mark.parametrize("door", DOORS.values(), ids=DOORS)


def written(folder: Path, text: str | bytes) -> Path:
    path = folder / "file.toml"
    path.write_bytes(text.encode("utf-8") if isinstance(text, str) else text)
    return path


def refused(door: Door, folder: Path, text: str | bytes) -> str:
    """Return what is said of a text, without the file, which must come first."""
    path = written(folder, text)
    with pytest.raises(door.error) as caught:
        door.read(path)
    assert type(caught.value) is door.error
    assert str(caught.value).startswith(f"{path}: ")
    return str(caught.value).removeprefix(f"{path}: ")


BAD = {
    "700 brackets": ("a = " + "[" * 700, "line 1: brackets nested deeper than 16 levels; is it a"),
    "brackets over lines": ("#\na = [\n" + "[\n" * 700, "line 18: brackets nested deeper than 16"),
    "braces": ("a = " + "{b=" * 700, "line 1: brackets nested deeper than 16 levels"),
    "4,301 digits": ("a = " + "9" * 4301, "line 1: a word of 4,301 digits, expected at most 200"),
    "hexadecimal": ("a = 0x" + "f" * 400_000, "is larger than 256 KiB; is it a"),
    "a long key": ("b" * 300 + " = 1", "line 1: a word of 300 characters, expected at most 200"),
    "a key of 20,000 parts": (
        ".".join("a" * 20_000) + " = 1",
        "line 1: a key of more than 8 parts",
    ),
    "a quoted key of many": ("\n" + '"a" . ' * 20_000 + "b = 1", "line 2: a key of more than 8"),
    "a table of many": ("[" + ".".join("a" * 20_000) + "]", "line 1: a key of more than 8"),
    "an inline one": ("a = {" + ".".join("a" * 20_000) + " = 1}", "line 1: a key of more than 8"),
    "hidden after quotes": ('a = """b""""\nc = ' + "[" * 700, "line 2: brackets nested deeper"),
    "1 MB of keys": ("".join(f"k{n} = 1\n" for n in range(100_000)), "is larger than 256 KiB"),
    "keys up to the limit": (
        "".join(f"[k{n}.a.b.c.d.e.f.g]\n" for n in range(11_000)),
        "unknown key 'k0'; known here: ",
    ),
    "NUL": ("a = 1\0", "line 1, column 6: is not TOML: "),
    "bad UTF-8": (b"# \xe9t\xe9\n", "line 1: byte 0xe9 at offset 2 is not UTF-8; save the file as"),
    "bad UTF-8 after a mark": (
        b"\xef\xbb\xbf#\n# \xff",
        "line 2: byte 0xff at offset 7 is not UTF-8",
    ),
    "UTF-16": ("\ufeffa = 1".encode("utf-16-le"), "line 1: byte 0xff at offset 0 is not UTF-8"),
    "no value": ("title =\n", "line 1, column 8: is not TOML: the value is missing"),
    "twice": ("a = 1\na = 2\n", "line 2, column 6: is not TOML: this key is there twice"),
    "an open text": ('a = "b\n', "line 1, column 7: is not TOML: the text is not closed"),
    "no end": ("a = [1,", "is not TOML: the value is missing"),
    "a path in double quotes": ('a = "C:\\Users"', "put texts with \\ between single quotes"),
    "a date that is none": ("a = 2001-02-30", "is not TOML: "),
}


@each_door
@pytest.mark.parametrize(("text", "message"), BAD.values(), ids=BAD)
def test_a_bad_text_is_refused_alike(
    tmp_path: Path, door: Door, text: str | bytes, message: str
) -> None:
    tracemalloc.start()
    begun = process_time()
    try:
        said = refused(door, tmp_path, text)
        assert process_time() - begun < MOST_SECONDS
        assert tracemalloc.get_traced_memory()[1] < MOST_MEMORY
    finally:
        tracemalloc.stop()
    assert message in said
    assert len(said) < 400


@each_door
@pytest.mark.parametrize(
    "change",
    [
        lambda text: text,
        lambda text: "\ufeff" + text,
        lambda text: text.replace("\n", "\r\n"),
        lambda text: text + "#" + "[" * 700 + ".a" * 700,
        lambda text: text + "#" * (MAX_FILE_SIZE - len(text)),
        lambda text: text.replace('["dos"]', '"dos"').replace('["path_length"]', '"path_length"'),
    ],
    ids=["plain", "byte order mark", "CRLF", "a comment", "the largest file", "a single text"],
)
def test_a_sound_text_is_read_alike(
    tmp_path: Path, door: Door, change: Callable[[str], str]
) -> None:
    assert door.read(written(tmp_path, change(door.sound))) == door.read(
        written(tmp_path, door.sound)
    )


@each_door
def test_a_single_wrong_value_is_named_alike(tmp_path: Path, door: Door) -> None:
    text = door.sound.replace('["dos"]', "[7]").replace('["path_length"]', "[7]")
    place = "[row] 1: " if door.read is read_readiness else ""
    what = "limits" if door.read is read_target else "targets"
    said = refused(door, tmp_path, text)
    assert said == f"{place}{door.texts_key} is [7], expected a list of {what}"


@each_door
def test_an_unknown_key_is_named_with_the_nearest(tmp_path: Path, door: Door) -> None:
    near = door.texts_key[:-1]
    said = refused(door, tmp_path, door.sound.replace(f"{door.texts_key} =", f"{near} ="))
    assert said.endswith(f"unknown key {near!r}; did you mean {door.texts_key!r}?")


@each_door
@pytest.mark.parametrize("other", DOORS)
def test_a_file_of_another_kind_is_called_what_it_is(
    tmp_path: Path, door: Door, other: str
) -> None:
    if DOORS[other].read in (door.read, read_readiness):
        return  # the readiness rows are ours, and nobody names them by mistake
    said = refused(door, tmp_path, DOORS[other].sound)
    kinds = {"recipe": "'folder', so it is a recipe, for mediashelf build", "plan": "'disc', so"}
    assert kinds.get(other, "'based_on', so it is a target file") in said


def test_a_key_after_the_table_that_it_does_not_belong_to(tmp_path: Path) -> None:
    for door, key in ((DOORS["recipe"], 'capacity = "74min"'), (DOORS["plan"], 'start = "none"')):
        said = refused(door, tmp_path, f"{door.sound}{key}\n")
        assert said.endswith("; it belongs at the top of the file, before every [table]")


@each_door
def test_what_is_not_a_regular_file_is_an_input_error(tmp_path: Path, door: Door) -> None:
    folder = tmp_path / "folder.toml"
    folder.mkdir()
    for path, problem in ((folder, "is not a regular file"), (tmp_path / "x.toml", "does not exi")):
        with pytest.raises(InputError, match=problem):
            door.read(path)


@pytest.mark.parametrize("door", [DOORS["recipe"], DOORS["plan"]], ids=["recipe", "plan"])
def test_a_backslash_between_folders_is_told(
    tmp_path: Path, door: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = door.sound.replace("/", "\\\\")
    monkeypatch.setattr("mediashelf.tables.table.os.sep", "/")
    said = refused(door, tmp_path, text)
    assert f"{door.path_key} is '" in said
    assert "expected a path with / between folders, such as '" in said
    monkeypatch.setattr("mediashelf.tables.table.os.sep", "\\")
    door.read(written(tmp_path, text))


def test_a_path_that_became_control_characters_is_told(tmp_path: Path) -> None:
    said = refused(DOORS["recipe"], tmp_path, '[[folder]]\nfrom = "drivers\\new"\n')
    assert said == (
        "[folder] 1: from is 'drivers\\new', expected a path without control characters; "
        "put texts with \\ between single quotes"
    )


def test_the_rows_that_come_with_the_program_are_read() -> None:
    assert len(read_readiness(ROWS_PATH)) > 5


def test_what_is_just_within_the_limits_is_toml(tmp_path: Path) -> None:
    door = DOORS["recipe"]
    for text in (
        "a = " + "[" * MAX_DEPTH + "]" * MAX_DEPTH,
        "a = " + "1" * MAX_WORD,
        ".".join("a" * MAX_KEY_PARTS) + " = 1",
        "[" + ".".join("a" * MAX_KEY_PARTS) + "]",
    ):
        assert refused(door, tmp_path, text).startswith("unknown key 'a'")

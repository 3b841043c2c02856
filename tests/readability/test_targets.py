"""Targets as data: the built-in ones, and those of the user."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from mediashelf.errors import InputError, TargetError
from mediashelf.findings import Severity
from mediashelf.formats.volume import VolumeKind
from mediashelf.places import data_folder
from mediashelf.readability.limits import LIMIT_KINDS, UNPUBLISHED, Limit
from mediashelf.readability.target_files import BUILT_IN
from mediashelf.readability.targets import load_targets, pick_targets
from mediashelf.tables.bounds import MAX_FILE_SIZE

OWN = """
title = "Workshop laptops"
based_on = "nt5"
drop = ["boot_media"]

[limits.path_length]
value = 200
source = "tried on the bench in June"
severity = "warning"
"""

ALONE = """
[limits.trees]
value = ["iso9660"]
source = "the terminal's manual, page 12"
"""


def write(folder: Path, name: str, text: str) -> Path:
    folder.mkdir(exist_ok=True)
    path = folder / name
    path.write_text(text, "utf-8")
    return path


# Built-in


def test_built_in_targets_come_oldest_first() -> None:
    assert tuple(load_targets()) == BUILT_IN == ("dos", "win9x", "nt4", "nt5", "nt6")


def test_every_limit_has_a_source_and_every_kind_of_limit_is_used() -> None:
    rows = [limit for target in load_targets().values() for limit in target.limits.values()]
    assert all(len(limit.source) > 10 for limit in rows)
    assert {limit.key for limit in rows} == set(LIMIT_KINDS)


def test_sources_do_not_hide_that_they_are_none() -> None:
    """A row that mentions memory or practice must say whether it is that, or quote in part."""
    for target in load_targets().values():
        for limit in target.limits.values():
            mentions = any(word in limit.source for word in UNPUBLISHED)
            assert limit.is_published is not mentions or "Microsoft KB" in limit.source
            assert not re.search(r"as (others|quoted)|a (published )?book names", limit.source) or (
                not limit.is_published
            )


HEARSAY = [("nt5", "joliet_name_length"), ("nt6", "udf_newest")]


@pytest.mark.parametrize(("target", "limit"), HEARSAY)
def test_hearsay_is_a_note_at_most(target: str, limit: str) -> None:
    row = load_targets()[target].limits[limit]
    assert row.severity_of(Severity.ERROR) is Severity.NOTE


def test_versions_of_systems_stand_only_in_titles() -> None:
    titles = (
        "Windows XP Professional Resource Kit (2003)",
        "Windows 2000 Server documentation (TechNet cc976819)",
    )
    name = re.compile(r"Windows (\d|NT|XP|Me\b|Vista|Server)|Vista|\bXP\b")
    for target in load_targets().values():
        for limit in target.limits.values():
            text = limit.source
            for title in titles:
                text = text.replace(title, "")
            assert not name.search(text), (target.name, limit.source)


def test_trees_that_the_families_read() -> None:
    iso, joliet, udf = VolumeKind.ISO9660, VolumeKind.JOLIET, VolumeKind.UDF
    assert {name: set(target.trees) for name, target in load_targets().items()} == {
        "dos": {iso},  # KB Q142372
        "win9x": {joliet, iso},  # KB Q142372, Q234781
        "nt4": {joliet, iso},  # KB Q93604, TechNet cc961718
        "nt5": {udf, joliet, iso},  # TechNet cc961718
        "nt6": {udf, joliet, iso},
    }


@pytest.mark.parametrize(
    ("target", "limit", "value"),
    [
        ("dos", "path_length", 66),  # KB Q154059
        ("dos", "folder_path_length", 64),  # KB Q156795
        ("dos", "iso_depth", 8),  # KB Q142372 with KB Q93604
        ("win9x", "path_length", 259),  # KB Q148754
        ("win9x", "joliet_name_length", 64),  # KB Q142372
        ("nt4", "iso_name_length", 31),  # KB Q142372: fewer than 32
        ("nt4", "block_sizes", (2048,)),  # KB Q142687
        ("nt4", "boot_media", ("no-emulation",)),  # KB Q155020
        ("nt5", "path_length", 259),  # MAX_PATH 260 with the null
        ("nt5", "udf_newest", "2.01"),  # XP Resource Kit
        ("nt5", "udf_common", "1.50"),  # TechNet cc961718
        ("nt6", "section_size", 2**32 - 1),  # ECMA-119 9.1.4
    ],
)
def test_published_values(target: str, limit: str, value: object) -> None:
    row = load_targets()[target].limits[limit]
    assert row.value == value
    assert row.is_published


def test_reserved_names_are_the_published_lists() -> None:
    targets = load_targets()
    dos = "CON PRN AUX CLOCK$ NUL COM1 COM2 COM3 COM4 LPT1 LPT2 LPT3"  # KB Q74496
    assert set(targets["dos"].limits["reserved_names"].words()) == set(dos.split())
    ports = {f"{port}{digit}" for port in ("COM", "LPT") for digit in "123456789¹²³"}
    win32 = {"CON", "PRN", "AUX", "NUL"} | ports  # Win32, Naming Files
    for name in ("win9x", "nt4", "nt5", "nt6"):
        for limit in ("reserved_names", "reserved_stems"):
            assert set(targets[name].limits[limit].words()) == win32


def test_forbidden_characters_are_the_published_lists() -> None:
    controls = {chr(code) for code in range(32)}
    for name in ("win9x", "nt4", "nt5", "nt6"):
        limits = load_targets()[name].limits
        assert set(limits["forbidden_characters"].text()) == controls | set('<>:"/\\|?*')  # Win32
        assert set(limits["joliet_forbidden"].text()) == controls | set("*/:;?\\")  # Joliet 1


def test_setup_of_win9x_begins_as_dos() -> None:
    targets = load_targets()
    assert targets["win9x"].first_phase is targets["dos"]
    assert [target.name for target in targets.values() if target.first_phase] == ["win9x"]


# Severity


@pytest.mark.parametrize(
    "source", ["common practice", "From memory: a book", "Common practice.", "Quoted elsewhere: x"]
)
def test_unpublished_limits_are_notes_whatever_their_row_says(source: str) -> None:
    limit = Limit("path_length", 10, source, Severity.ERROR)
    assert limit.severity_of(Severity.ERROR) is Severity.NOTE


def test_a_published_limit_has_its_own_severity_or_the_rules() -> None:
    assert Limit("path_length", 10, "KB").severity_of(Severity.ERROR) is Severity.ERROR
    softer = Limit("path_length", 10, "KB", Severity.WARNING)
    assert softer.severity_of(Severity.ERROR) is Severity.WARNING


# The user's


def test_own_target_is_based_on_another(tmp_path: Path) -> None:
    path = write(tmp_path, "laptops.toml", OWN)
    targets = load_targets(tmp_path)
    assert list(targets) == [*BUILT_IN, "laptops"]
    own, base = targets["laptops"], targets["nt5"]
    assert (own.title, own.file) == ("Workshop laptops", path)
    assert own.limits["path_length"] == Limit(
        "path_length", 200, "tried on the bench in June", Severity.WARNING
    )
    assert set(own.limits) == set(base.limits) - {"boot_media"}
    assert own.limits["udf_newest"] == base.limits["udf_newest"]


def test_own_targets_can_stand_on_each_other_and_alone(tmp_path: Path) -> None:
    write(tmp_path, "terminal.toml", ALONE)
    write(tmp_path, "a-terminal.toml", 'based_on = "terminal"\n')
    targets = load_targets(tmp_path)
    assert list(targets) == [*BUILT_IN, "a-terminal", "terminal"]
    assert targets["a-terminal"].trees == targets["terminal"].trees == (VolumeKind.ISO9660,)
    assert targets["terminal"].title == "terminal"


def test_the_users_data_folder_is_looked_at_by_default() -> None:
    assert list(load_targets()) == list(BUILT_IN)
    folder = data_folder() / "targets"
    folder.mkdir(parents=True)
    write(folder, "terminal.toml", ALONE)
    assert "terminal" in load_targets()


def test_other_files_are_left_alone(tmp_path: Path) -> None:
    for name in (".hidden.toml", "notes.txt", "old.toml~"):
        write(tmp_path, name, "[not a target")
    assert list(load_targets(tmp_path)) == list(BUILT_IN)


def test_own_first_phase(tmp_path: Path) -> None:
    write(tmp_path, "kiosk.toml", 'based_on = "win9x"\n')
    targets = load_targets(tmp_path)
    assert targets["kiosk"].first_phase is targets["dos"]


def test_a_byte_order_mark_does_no_harm(tmp_path: Path) -> None:
    (tmp_path / "terminal.toml").write_bytes(b"\xef\xbb\xbf" + ALONE.encode())
    assert "terminal" in load_targets(tmp_path)


LIMIT = '[limits.path_length]\nvalue = 10\nsource = "KB"\n'

MISTAKES = [
    ("titel = 'x'", "unknown key 'titel'; did you mean 'title'?"),
    ("title = 5", "title is 5, expected text"),
    ("based_on = ['nt5']", "based_on is ['nt5'], expected text"),
    ("based_on = 'nt7'", "based_on names 'nt7', which is not a target; did you mean 'nt"),
    ("based_on = 'mine'", "based_on leads from 'mine' back to itself"),
    ("drop = 7", "drop is 7, expected a list of limits"),
    (
        "drop = ['boot_medium']",
        "drop names 'boot_medium', which is not a limit; did you mean",
    ),
    ("drop = [7]", "drop is [7], expected a list of limits"),
    ("based_on = 'dos'\ndrop = ['udf_newest']", "drop names 'udf_newest', which it does not take"),
    ("limits = 3", "limits is 3, expected a table, [limits]"),
    (
        "[limits]\npath_length = 66",
        "[limits]: path_length is 66, expected a table, [limits.",
    ),
    (
        LIMIT.replace("path_length", "path_lenght"),
        "[limits]: unknown key 'path_lenght'; did you mean 'path_length'?",
    ),
    (
        LIMIT.replace("source", "sorce"),
        "[limits.path_length]: unknown key 'sorce'; did you mean 'source'?",
    ),
    ("[limits.path_length]\nvalue = 10", "[limits.path_length]: source is missing"),
    ("[limits.path_length]\nsource = 'x'", "[limits.path_length]: value is missing"),
    (LIMIT.replace('"KB"', '" "'), "[limits.path_length]: source is empty"),
    (LIMIT.replace('"KB"', "5"), "[limits.path_length]: source is 5, expected text"),
    (LIMIT + 'severity = "bad"', "severity is 'bad', expected one of note, warning, error"),
    (LIMIT + "severity = 2", "severity is 2, expected text"),
    (LIMIT.replace("10", '"10"'), "value is '10', expected a whole number above 0"),
    (LIMIT.replace("10", "true"), "value is true, expected a whole number above 0"),
    (LIMIT.replace("10", "-1"), "value is -1, expected a whole number above 0"),
    (LIMIT.replace("10", "1.5"), "value is 1.5, expected a whole number above 0"),
    (
        '[limits.trees]\nvalue = ["joliet", "rockridge"]\nsource = "KB"',
        'expected a list of "iso9660", "joliet", "udf"',
    ),
    ('[limits.trees]\nvalue = []\nsource = "KB"', "[limits.trees]: value is []"),
    ('[limits.ucs2]\nvalue = false\nsource = "KB"', "leave the limit out where it does not hold"),
    ('[limits.udf_newest]\nvalue = "2.5"\nsource = "KB"', 'a UDF revision such as "1.50"'),
    ('[limits.block_sizes]\nvalue = [2048, "x"]\nsource = "KB"', "expected a list of whole"),
    ('[limits.reserved_names]\nvalue = ["A", 1]\nsource = "KB"', "expected a list of texts"),
    ('[limits.iso_name_form]\nvalue = "12.4"\nsource = "KB"', 'expected "8.3"'),
    (LIMIT, "[limits.trees] is missing"),
    (
        ALONE + '[limits.first_phase]\nvalue = "doss"\nsource = "KB"',
        "[limits.first_phase]: value is 'doss', expected another target; did you mean 'dos'?",
    ),
    (
        ALONE + '[limits.first_phase]\nvalue = "mine"\nsource = "KB"',
        "[limits.first_phase]: value is 'mine', expected another target",
    ),
    ("title = ", "is not TOML"),
    ("a = " + "[" * 5000, ""),
]


@pytest.mark.parametrize(("text", "message"), MISTAKES, ids=[text[:40] for text, _ in MISTAKES])
def test_mistakes_name_file_key_and_what_is_expected(
    tmp_path: Path, text: str, message: str
) -> None:
    path = write(tmp_path, "mine.toml", text)
    with pytest.raises(TargetError) as caught:
        load_targets(tmp_path)
    assert str(caught.value).startswith(f"{path}: ")
    assert message in str(caught.value)


def test_a_circle_of_targets_is_an_error(tmp_path: Path) -> None:
    write(tmp_path, "a.toml", 'based_on = "b"')
    write(tmp_path, "b.toml", 'based_on = "a"')
    with pytest.raises(TargetError, match="back to itself"):
        load_targets(tmp_path)


@pytest.mark.parametrize("name", ["Nt5.toml", "my target.toml", "a" * 40 + ".toml", "ü.toml"])
def test_names_that_can_not_be_typed_are_errors(tmp_path: Path, name: str) -> None:
    write(tmp_path, name, ALONE)
    with pytest.raises(TargetError, match="can't be a target's name"):
        load_targets(tmp_path)


def test_built_in_targets_are_not_replaced_silently(tmp_path: Path) -> None:
    write(tmp_path, "nt5.toml", ALONE)
    with pytest.raises(TargetError, match="is a built-in target"):
        load_targets(tmp_path)


def test_a_named_folder_must_be_there(tmp_path: Path) -> None:
    with pytest.raises(TargetError, match="is not a folder; name one"):
        load_targets(tmp_path / "nowhere")


def test_files_that_are_no_text_are_errors(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(TargetError, match="byte 0xff at offset 0 is not UTF-8"):
        load_targets(tmp_path)
    (tmp_path / "mine.toml").write_bytes(b"#" * (MAX_FILE_SIZE + 1))
    with pytest.raises(TargetError, match="is larger than"):
        load_targets(tmp_path)


def test_a_pipe_does_not_block(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "mine.toml")
    with pytest.raises(InputError, match="is not a regular file"):
        load_targets(tmp_path)


# Picking


def test_targets_are_picked_in_order_and_once() -> None:
    targets = load_targets()
    picked = pick_targets(["nt4", "dos", "nt4"], targets)
    assert [target.name for target in picked] == ["nt4", "dos"]


def test_an_unknown_target_is_an_error_with_the_nearest_name() -> None:
    with pytest.raises(TargetError, match=r"'win98' is not a target; did you mean 'win9x'\?"):
        pick_targets(["win98"], load_targets())

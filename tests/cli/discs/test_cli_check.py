"""The ``check`` command on real images, folders and recipes."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from make_image import Boot, cut, make_iso
from make_raw import mode_1_image, write_disc
from mediashelf.cli.main import main
from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity

ROOM = {"pad_sectors": 400}  # the emulator refuses images of fewer than 300 blocks
FILES = {"README.TXT": b"tide table\r\n", "DRIVERS/LKVX3.INF": b"; invented\r\n" * 40}
LONG_NAMES = {"DRIVERS/LKVX3.INF": "Larkspur video.inf"}


def run(*arguments: object, columns: int = 80) -> Result:
    return CliRunner(env={"COLUMNS": str(columns)}).invoke(
        main, ["check", *map(str, arguments)], catch_exceptions=False
    )


def read(*arguments: object) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(run(*arguments, "--json").stdout)
    return document


def rules(document: dict[str, Any], about: str = "target") -> set[tuple[str, str]]:
    return {
        (item["target"], item["rule"])
        for disc in document["inputs"]
        for item in disc["findings"]
        if item["about"] == about
    }


@pytest.fixture
def sound(tmp_path: Path) -> Path:
    made = make_iso(FILES, joliet=True, long_names=LONG_NAMES, **ROOM)
    return made.save(tmp_path / "sound.iso")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "drivers"
    (place / "Larkspur video").mkdir(parents=True)
    (place / "Larkspur video" / "Larkspur video.inf").write_text("; invented\n")
    (place / "readme.txt").write_text("tide table\n" * 60_000)
    return place


def test_a_sound_image_is_read_by_all(sound: Path) -> None:
    result = run(sound)
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    for target in ("dos", "win9x", "nt4", "nt5", "nt6"):
        row = next(line for line in lines if line.startswith(f"{target} "))
        assert "  reads it  " in row
    assert "structure: no findings; emulator: serves it whole" in result.stdout
    assert "overlaps not checked, contents of files not read" in result.stdout.replace("\n", " ")
    assert "long-name-seen" not in result.stdout  # in short
    assert "--target NAME" in result.stdout


def test_a_named_target_is_shown_in_full(sound: Path) -> None:
    result = run(sound, "--target", "dos")
    assert result.exit_code == 0
    assert "note long-name-seen [dos]" in result.stdout
    assert "/DRIVERS/LKVX3.INF" in result.stdout
    assert 'its long name "Larkspur video.inf" is not' in " ".join(result.stdout.split())
    assert "source: Microsoft KB Q142372" in result.stdout
    assert "nt5" not in result.stdout


@pytest.mark.parametrize(
    ("fail_on", "target", "code"),
    [
        ("error", "dos", 1),
        ("warning", "dos", 1),
        ("never", "dos", 0),
        ("error", "nt4", 0),  # a warning: lower case in the ISO tree
        ("warning", "nt4", 1),
        ("note", "nt6", 1),  # a note: no Joliet tree
        ("warning", "nt6", 0),
    ],
)
def test_the_exit_code_follows_fail_on(
    tmp_path: Path, fail_on: str, target: str, code: int
) -> None:
    image = make_iso({"longer-name.text": b"x"}, **ROOM).save(tmp_path / "a.iso")
    result = run(image, "-t", target, "--fail-on", fail_on)
    assert result.exit_code == code


def test_names_of_a_real_image(tmp_path: Path) -> None:
    image = make_iso(
        {"LONGNAMES.TXT": b"a", "NUL.TXT": b"b", "OK.TXT": b"c"},
        joliet=True,
        long_names={"NUL.TXT": "nul.txt", "OK.TXT": "bad<name>.txt"},
        **ROOM,
    ).save(tmp_path / "a.iso")
    found = rules(read(image))
    assert {
        ("dos", "iso-name-form"),
        ("dos", "device-name-with-extension"),
        ("win9x", "device-name-with-extension"),
        ("nt5", "name-characters"),
        ("win9x", "first-phase-reads"),
    } <= found
    assert ("nt5", "iso-name-form") not in found
    assert ("dos", "name-characters") not in found


def test_boot_method_of_real_images(tmp_path: Path) -> None:
    floppy = make_iso(FILES, joliet=True, boot=Boot(bytes(1_474_560), media=2), **ROOM)
    found = rules(read(floppy.save(tmp_path / "floppy.iso")))
    assert {("nt4", "boot-method"), ("nt5", "boot-method")} <= found
    assert ("dos", "boot-method") not in found
    loader = make_iso(FILES, joliet=True, boot=Boot(bytes(2048)), **ROOM)
    found = rules(read(loader.save(tmp_path / "loader.iso")))
    assert ("dos", "boot-method") in found
    assert ("nt4", "boot-method") not in found


def test_rock_ridge_names_of_a_real_image(tmp_path: Path) -> None:
    made = make_iso(FILES, rock_ridge=True, long_names=LONG_NAMES, **ROOM)
    found = rules(read(made.save(tmp_path / "a.iso")))
    assert {(name, "names-outside-rockridge") for name in ("dos", "win9x", "nt4", "nt5")} <= found


def test_sections_of_a_real_image(tmp_path: Path) -> None:
    made = make_iso({"BIG.CAB": bytes(10_000)}, sections={"BIG.CAB": 4096}, joliet=True, **ROOM)
    found = rules(read(made.save(tmp_path / "a.iso")))
    assert {("dos", "single-section"), ("win9x", "single-section")} <= found
    assert ("nt4", "single-section") not in found


def test_udf_of_a_real_image_is_taken_into_account(tmp_path: Path) -> None:
    made = make_iso(FILES, udf="NSR03", udf_revision=0x0250, **ROOM)
    found = rules(read(made.save(tmp_path / "a.iso")))
    assert ("nt5", "udf-readable") in found
    assert ("nt6", "udf-readable") not in found


def test_offsets_lead_to_the_directory_record(tmp_path: Path) -> None:
    made = make_iso({"LONGNAMES.TXT": b"a"}, **ROOM)
    document = read(made.save(tmp_path / "a.iso"), "-t", "dos")
    [finding] = [
        item for item in document["inputs"][0]["findings"] if item["rule"] == "iso-name-form"
    ]
    assert finding["offset"] == made.record("/LONGNAMES.TXT")


def test_structural_findings_stand_apart(sound: Path) -> None:
    sound.write_bytes(cut(sound.read_bytes(), 310 * 2048))
    result = run(sound, "-t", "nt5", "--fail-on", "warning")
    assert result.exit_code == 1
    assert "-- structure" in result.stdout
    assert "warning image-reaches-volume-end" in result.stdout
    document = read(sound, "-t", "nt5")
    assert ("", "image-reaches-volume-end") in rules(document, "structure")
    assert document["inputs"][0]["targets"][0]["verdict"] == "reads it"


def test_a_damaged_tree_is_not_called_readable(tmp_path: Path) -> None:
    made = make_iso(FILES, joliet=True, **ROOM)
    data = cut(made.data, made.directory("/DRIVERS", "joliet"))
    (tmp_path / "a.iso").write_bytes(data)
    document = read(tmp_path / "a.iso", "-t", "nt5")
    assert document["inputs"][0]["is_complete"] is False
    assert ("nt5", "tree-checked-whole") in rules(document)
    assert document["inputs"][0]["targets"][0]["verdict"] == "cannot read all of it"
    assert "This image is damaged" in run(tmp_path / "a.iso", "-t", "nt5").stdout


def test_raw_sectors_are_no_damage(tmp_path: Path) -> None:
    """A drive cannot serve them; the volume in them is whole (own behaviour)."""
    write_disc(tmp_path, mode_1_image(make_iso(FILES, joliet=True, **ROOM).data))
    sound, sheet = tmp_path / "kiosk.bin", tmp_path / "kiosk.cue"
    assert read(sound, "-t", "nt5")["inputs"][0]["targets"][0]["verdict"] == "reads it"
    said = run(sound, "-t", "nt5")
    assert "raw-sectors" in said.stdout
    assert "This image is damaged" not in said.stdout
    # Nothing is said of systems where no volume was looked at.
    failed = run(sheet, "-t", "nt5")
    assert (failed.exit_code, failed.stdout) == (InputError.exit_code, "")
    assert "is a cue sheet" in failed.stderr
    both = run(sound, sheet, "-t", "nt5", "--json")
    assert both.exit_code == InputError.exit_code
    document = json.loads(both.stdout)
    assert [len(document[name]) for name in ("inputs", "failed")] == [1, 1]


def test_no_system_is_said_to_read_a_damaged_image(tmp_path: Path) -> None:
    good = make_iso(FILES, joliet=True, **ROOM)
    control = tmp_path / "good.iso"
    control.write_bytes(good.data)
    data = bytearray(good.data)
    data[16 * 2048 + 132] ^= 1  # the path table size, whose other copy stays (ECMA-119 8.4.10)
    (tmp_path / "bad.iso").write_bytes(data)
    damaged = read(tmp_path / "bad.iso", "-t", "nt5")["inputs"][0]
    assert damaged["targets"][0]["verdict"] == "it is damaged"
    assert read(control, "-t", "nt5")["inputs"][0]["targets"][0]["verdict"] == "reads it"
    end = CliRunner().invoke(main, ["check", str(control), str(tmp_path / "bad.iso"), "-t", "nt5"])
    assert "reads it  with care  damaged" in end.stdout
    row = next(
        line for line in end.stdout.splitlines() if line.startswith("nt5 ") and "it" not in line
    )
    assert row.split() == ["nt5", "1", "0", "1", "0", "0"]


def test_the_emulators_limits_stand_apart(tmp_path: Path) -> None:
    image = make_iso(FILES, joliet=True).save(tmp_path / "small.iso")
    result = run(image, "-t", "nt5")
    assert result.exit_code == 1
    assert "emulator: does not serve it whole" in " ".join(result.stdout.split())
    assert "error emulator-smallest-disc" in result.stdout
    assert rules(read(image), "emulator") == {("", "emulator-smallest-disc")}


def test_what_is_no_image_is_a_finding(tmp_path: Path) -> None:
    path = tmp_path / "notes.iso"
    path.write_bytes(bytes(700_000))
    result = run(path)
    assert result.exit_code == 1
    assert result.stdout.count("cannot read it") == 5
    assert "no-volume" in result.stdout


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "not a disc image: the file is empty, 0 bytes"),
        (b"notes\r\n" * 10, "not a disc image: 70 bytes are too few"),
        (b"\xde\xad\xbe\xef" * 20_000, "from sector 16 on, which begins with bytes de ad be ef"),
        (bytes(80_000), "from sector 16 on, which begins with zeros"),
    ],
    ids=["empty", "short", "other", "zeros"],
)
def test_no_advice_that_cannot_help_what_is_no_image(
    tmp_path: Path, data: bytes, words: str
) -> None:
    path = tmp_path / "notes.iso"
    path.write_bytes(data)
    result = run(path, "-t", "win9x", columns=200)
    assert result.exit_code == 1
    assert words in result.stdout
    assert "truncate" not in result.stdout
    assert "Build the disc again" not in result.stdout
    assert "get it again or mend it from another copy" in result.stdout


def test_a_cut_image_is_not_to_be_padded(tmp_path: Path) -> None:
    path = tmp_path / "cut.iso"
    path.write_bytes(make_iso({"FILLER.DAT": bytes(200_000)}).data[:100_000])
    result = run(path, "-t", "win9x", columns=200)
    assert "emulator-smallest-disc" in result.stdout
    assert "truncate" not in result.stdout
    assert "zeros cannot replace missing data" in result.stdout


def test_raw_sectors_are_not_servable(tmp_path: Path) -> None:
    sync = b"\x00" + b"\xff" * 10 + b"\x00"
    sectors = [sync + bytes([0, 2, number, 1]) + bytes(2352 - 16) for number in range(40)]
    path = tmp_path / "raw.bin"
    path.write_bytes(b"".join(sectors) * 10)
    assert ("", "emulator-data-sectors") in rules(read(path), "emulator")


# Folders and recipes


def test_a_folder_is_planned_and_nothing_is_written(folder: Path) -> None:
    before = sorted(folder.rglob("*"))
    result = run(folder, "-t", "dos", "-t", "nt5")
    assert result.exit_code == 0
    assert "planned from a folder" in result.stdout
    assert "plan: no findings" in result.stdout
    assert "long-name-seen" in result.stdout
    assert sorted(folder.rglob("*")) == before


def test_what_the_planner_says_stands_apart(tmp_path: Path) -> None:
    place = tmp_path / "in" / "/".join("abcdefghi")
    place.mkdir(parents=True)
    (place / "f.txt").write_text("x")
    result = run(tmp_path / "in", "-t", "dos")
    assert "-- plan" in result.stdout
    assert "warning moved-for-depth" in result.stdout
    document = read(tmp_path / "in", "-t", "dos")
    assert ("", "moved-for-depth") in rules(document, "plan")
    assert ("dos", "directory-depth") not in rules(document)  # it was moved


def test_a_recipe_is_checked_for_its_own_targets(folder: Path) -> None:
    recipe = folder.parent / "disc.toml"
    recipe.write_text('label = "KIOSK"\ntargets = ["nt4"]\n[[folder]]\nfrom = "drivers"\n')
    result = run(recipe)
    assert result.exit_code == 0
    assert "planned from a recipe" in result.stdout
    assert "-- nt4" in result.stdout
    assert "dos" not in result.stdout
    assert {target for target, _ in rules(read(recipe))} == {"nt4"}
    document = read(recipe, "-t", "dos")
    assert [item["target"] for item in document["inputs"][0]["targets"]] == ["dos"]


def test_an_unknown_target_in_a_recipe_is_an_error(folder: Path) -> None:
    recipe = folder.parent / "disc.toml"
    recipe.write_text('targets = ["nt44"]\n[[folder]]\nfrom = "drivers"\n')
    result = run(recipe)
    assert result.exit_code == 7
    assert "did you mean 'nt4'?" in result.stderr


# Targets of one's own


def test_own_targets_are_asked_too(sound: Path, tmp_path: Path) -> None:
    targets = tmp_path / "targets"
    targets.mkdir()
    (targets / "strict.toml").write_text(
        'based_on = "nt5"\n[limits.path_length]\nvalue = 10\nsource = "tried on the bench"\n'
    )
    result = run(sound, "--targets-folder", targets)
    assert result.exit_code == 1
    assert "strict" in result.stdout
    result = run(sound, "--targets-folder", targets, "-t", "strict")
    assert "source: tried on the bench" in result.stdout
    assert "error path-length [strict]" in result.stdout


def test_a_wrong_target_file_is_an_error_of_its_own(sound: Path, tmp_path: Path) -> None:
    targets = tmp_path / "targets"
    targets.mkdir()
    (targets / "strict.toml").write_text('bassed_on = "nt5"\n')
    result = run(sound, "--targets-folder", targets)
    assert (result.exit_code, result.stdout) == (7, "")
    assert "strict.toml: unknown key 'bassed_on'" in result.stderr


def test_an_unknown_target_is_an_error(sound: Path) -> None:
    result = run(sound, "-t", "win98")
    assert (result.exit_code, result.stdout) == (7, "")
    assert "did you mean 'win9x'?" in result.stderr


# What cannot be read


@pytest.mark.parametrize("name", ["nowhere.iso", "nowhere.toml", "nowhere"])
def test_missing_inputs(tmp_path: Path, name: str) -> None:
    result = run(tmp_path / name)
    assert result.exit_code == 3
    assert name in result.stderr


def test_a_pipe_does_not_block(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "a.iso")
    assert run(tmp_path / "a.iso").exit_code == 3


def test_no_input_is_wrong_usage() -> None:
    assert run().exit_code == 2


def test_images_are_not_written_to(sound: Path) -> None:
    before = (sound.read_bytes(), sound.stat().st_mtime_ns)
    sound.chmod(stat.S_IRUSR)
    assert run(sound).exit_code == 0
    assert (sound.read_bytes(), sound.stat().st_mtime_ns) == before


# Form of the answer


def test_json_has_its_documented_shape(sound: Path, folder: Path) -> None:
    document = read(sound, folder, "-t", "dos", "-t", "nt4")
    assert list(document) == ["command", "version", "inputs", "failed", "left_out"]
    assert (document["command"], document["version"]) == ("check", 1)
    image, planned = document["inputs"]
    for disc in (image, planned):
        assert list(disc) == [
            "input",
            "kind",
            "size",
            "label",
            "is_complete",
            "targets",
            "findings",
        ]
        for row in disc["targets"]:
            assert list(row) == ["target", "verdict", "errors", "warnings", "notes"]
            assert row["verdict"] == "reads it"
            listed = [item for item in disc["findings"] if item["target"] == row["target"]]
            assert len(listed) == row["errors"] + row["warnings"] + row["notes"]
        for item in disc["findings"]:
            assert list(item) == ["about", *Finding("r", Severity.NOTE, "", "").as_dict()]
    assert (image["kind"], image["size"]) == ("image", sound.stat().st_size)
    assert planned["kind"] == "folder"


def test_quiet_says_nothing_of_sound_discs(sound: Path) -> None:
    result = run(sound, "-q")
    assert (result.exit_code, result.output) == (0, "")


def test_quiet_still_says_what_needs_attention(tmp_path: Path) -> None:
    image = make_iso({"LONGNAMES.TXT": b"a"}, **ROOM).save(tmp_path / "a.iso")
    result = run(image, "-q")
    assert "cannot read all of it" in result.stdout
    assert "nt5" not in result.stdout


def test_places_are_limited_unless_all_are_asked_for(tmp_path: Path) -> None:
    files = {f"LONGNAME{number}.TXT": b"" for number in range(10)}
    image = make_iso(files, **ROOM).save(tmp_path / "a.iso")
    short = run(image, "-t", "dos").stdout
    assert "… and 7 more like these" in short
    assert short.count("/LONGNAME") == 3
    assert run(image, "-t", "dos", "--all").stdout.count("/LONGNAME") == 10
    assert len(read(image, "-t", "dos")["inputs"][0]["findings"]) == 10


def test_hostile_names_reach_the_terminal_escaped(tmp_path: Path) -> None:
    # Windows has no controls in names of files; on a disc they can be.
    name = "a.iso" if os.name == "nt" else "a\x1b[2J.iso"
    image = make_iso(
        {"A.TXT": b"a"}, joliet=True, long_names={"A.TXT": "a\x1b[31m\u202e.txt"}, **ROOM
    ).save(tmp_path / name)
    result = run(image, "-t", "dos", "-t", "nt5", "--all")
    assert "\x1b" not in result.output
    assert "\u202e" not in result.output
    assert "\\x1b[31m\\u202e.txt" in result.output.replace("\n", "").replace("    ", "")


@pytest.mark.parametrize("columns", [40, 60, 120])
def test_lines_fit_the_terminal(tmp_path: Path, columns: int) -> None:
    image = make_iso({"LONGNAMES.TXT": b"a"}, **ROOM).save(tmp_path / "a.iso")
    for arguments in ([image], [image, "-t", "dos", "-t", "win9x"]):
        lines = run(*arguments, columns=columns).stdout.splitlines()
        assert max(len(line) for line in lines) <= columns


def test_help_has_examples() -> None:
    result = run("--help")
    assert result.exit_code == 0
    assert "mediashelf check disc.iso --target dos" in result.stdout


@pytest.mark.parametrize(("size", "is_refused"), [(1000, False), (900_000, True)])
def test_a_disc_that_build_refuses_is_not_only_said_to_be_read(
    tmp_path: Path, size: int, *, is_refused: bool
) -> None:
    """The same answer as that of build (own behaviour)."""
    (tmp_path / "drivers").mkdir()
    (tmp_path / "drivers" / "LKVX.VXD").write_bytes(bytes(size))
    recipe = tmp_path / "kiosk.toml"
    recipe.write_text('capacity = "400 sectors"\n[[folder]]\nfrom = "drivers"\n')
    answer = run(recipe, "-t", "win9x")
    words = "build refuses this disc; findings for systems hold for it as planned."
    assert (words in " ".join(answer.output.split())) == is_refused
    built = CliRunner().invoke(main, ["build", str(recipe), "-o", str(tmp_path / "disc.iso")])
    assert (built.exit_code == 12) == is_refused, built.output

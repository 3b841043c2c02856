"""``check`` of images that are damaged, raw, cut, or no images at all."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from check_runs import FILES, ROOM, read, rules, run
from make_image import cut, make_iso
from make_raw import mode_1_image, write_disc
from mediashelf.cli.main import main
from mediashelf.errors import InputError


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

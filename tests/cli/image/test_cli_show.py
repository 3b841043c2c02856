"""``mediashelf show``: what a person and a script get to see."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli_runs import Shelf
from image_parts import SECTOR
from made_library import tide_image
from make_image import Boot, MadeImage, make_iso, put, zero
from mediashelf.catalogue.images import by_digest
from mediashelf.catalogue.questions import duplicates
from mediashelf.catalogue.rows import ImageRow
from mediashelf.cli.main import main
from mediashelf.file_view import FileView
from mediashelf.image import open_image

FILES = {
    "README.TXT": b"hello",
    "SETUP/DATA1.CAB": b"x" * 5000,
    "SETUP/SUB/DEEP.TXT": b"deep",
    "EMPTY/": b"",
}
LONG_NAMES = {"README.TXT": "Lies mich zuerst – 潮汐.txt", "SETUP": "Set up files"}


@pytest.fixture
def made() -> MadeImage:
    return make_iso(
        FILES,
        label="TIDES",
        joliet=3,
        long_names=LONG_NAMES,
        boot=Boot(bytes(2048), text=b"KIOSK", sections=[(0xEF, [bytes(3000)])]),
    )


def show(*arguments: str | Path, columns: int = 80) -> Result:
    runner = CliRunner(env={"COLUMNS": str(columns)})
    return runner.invoke(main, ["show", *map(str, arguments)])


def test_it_shows_volumes_boot_and_room(made: MadeImage, tmp_path: Path) -> None:
    result = show(made.save(tmp_path / "tides.iso"))
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert lines[0] == "tides.iso"
    assert f"{len(made.data):,} bytes, {len(made.data) // SECTOR} sectors" in result.stdout
    assert 'iso9660    "TIDES"' in lines
    assert 'joliet     "TIDES", level 3' in lines
    assert "  holds    3 files, 3 folders, 4.9 KiB" in lines
    assert "  made     1999-06-01 12:00:00 UTC" in lines
    assert "exactly the image" in result.stdout
    assert "% of 74min" in result.stdout
    assert 'checksum right, id "KIOSK"' in result.stdout
    assert "UEFI, no emulation, 3.0 KiB at LBA" in result.stdout
    assert "findings   no findings; overlaps not checked, contents of files not read" in lines
    assert "DATA1.CAB" not in result.stdout


def test_trees_are_listed_on_demand(made: MadeImage, tmp_path: Path) -> None:
    result = show(made.save(tmp_path / "tides.iso"), "--tree")
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    start = lines.index("iso9660 tree")
    assert lines[start + 1 : start + 7] == [
        "  EMPTY/  1999-06-01",
        "  README.TXT  5  1999-06-01",
        "  SETUP/  1999-06-01",
        "    DATA1.CAB  5,000  1999-06-01",
        "    SUB/  1999-06-01",
        "      DEEP.TXT  4  1999-06-01",
    ]
    start = lines.index("joliet tree")
    assert "  Lies mich zuerst – 潮汐.txt  5  1999-06-01" in lines[start:]
    assert "  Set up files/  1999-06-01" in lines[start:]


def test_one_kind_of_volume_can_be_picked(made: MadeImage, tmp_path: Path) -> None:
    path = made.save(tmp_path / "tides.iso")
    result = show(path, "--tree", "--volume", "joliet")
    assert "joliet tree" in result.stdout
    assert "iso9660" not in result.stdout
    none = show(path, "--volume", "udf")
    assert "No volume of that kind; this disc has: iso9660, joliet" in none.stdout
    assert none.exit_code == 0


def test_quiet_prints_only_what_needs_attention(made: MadeImage, tmp_path: Path) -> None:
    path = made.save(tmp_path / "tides.iso")
    assert show(path, "--quiet").output == ""
    noted = tmp_path / "noted.iso"
    noted.write_bytes(made.data + b"more".ljust(SECTOR, b"\0"))
    assert show(noted, "-q").output == ""
    damaged = tmp_path / "damaged.iso"
    damaged.write_bytes(zero(made.data, made.directory("/SETUP")))
    assert show(damaged, "-q").output.startswith("error ")


def test_exit_codes_follow_the_severity_asked_for(made: MadeImage, tmp_path: Path) -> None:
    noted = tmp_path / "noted.iso"
    noted.write_bytes(made.data + b"more".ljust(SECTOR, b"\0"))
    assert show(noted).exit_code == 0
    assert show(noted, "--fail-on", "note").exit_code == 1
    assert show(noted, "--fail-on", "never").exit_code == 0
    damaged = tmp_path / "damaged.iso"
    damaged.write_bytes(zero(made.data, made.directory("/SETUP")))
    assert show(damaged).exit_code == 1
    assert show(damaged, "--fail-on", "never").exit_code == 0
    assert show(damaged, "--json").exit_code == 1


def test_errors_have_codes_of_their_own(tmp_path: Path) -> None:
    missing = show(tmp_path / "missing.iso")
    assert missing.exit_code == 3
    assert missing.stdout == ""
    assert "cannot be opened" in missing.stderr
    assert show(tmp_path).exit_code == 3
    assert show().exit_code == 2
    assert show(tmp_path, "--volume", "drum").exit_code == 2


def test_findings_say_what_to_do(made: MadeImage, tmp_path: Path) -> None:
    path = tmp_path / "damaged.iso"
    path.write_bytes(zero(made.data, made.directory("/SETUP")))
    result = show(path)
    assert "error self-record" in result.stdout
    assert "/SETUP: the directory has no self record" in result.stdout
    assert "to do: compare the image with another copy" in result.stdout
    assert "source: ECMA-119 6.8.2.2" in result.stdout
    assert "some of it could not be read" not in result.stdout


def test_many_findings_of_a_rule_are_cut_short(tmp_path: Path) -> None:
    made = make_iso({f"F{number:03d}.TXT": b"." for number in range(20)})
    data = made.data
    for number in range(20):
        data = put(data, made.record(f"/F{number:03d}.TXT") + 19, b"\x0d")
    path = tmp_path / "dates.iso"
    path.write_bytes(data)
    brief = show(path).stdout
    assert "… and 17 more like these" in brief
    assert show(path, "--all").stdout.count("the recorded date is not valid") == 20


def test_json_has_a_stable_shape(made: MadeImage, tmp_path: Path) -> None:
    path = made.save(tmp_path / "tides.iso")
    result = show(path, "--json")
    document = json.loads(result.stdout)
    assert result.stdout.isascii()
    assert list(document) == [
        "command",
        "version",
        "image",
        "size",
        "looks_raw",
        "tracks",
        "capacity",
        "boot",
        "disc",
        "installers",
        "record",
        "copies",
        "findings",
        "volumes",
    ]
    assert (document["command"], document["version"]) == ("show", 1)
    assert document["size"] == len(made.data)
    primary, joliet = document["volumes"]
    assert (primary["kind"], primary["label"]) == ("iso9660", "TIDES")
    assert (joliet["kind"], joliet["joliet_level"]) == ("joliet", 3)
    found = {entry["path"]: entry for entry in primary["entries"]}
    assert found["/SETUP/DATA1.CAB"] == {
        "path": "/SETUP/DATA1.CAB",
        "identifier": "DATA1.CAB;1",
        "size": 5000,
        "is_directory": False,
        "is_hidden": False,
        "modified": "1999-06-01T12:00:00+00:00",
        "extents": [{"lba": made.file("/SETUP/DATA1.CAB") // SECTOR, "size": 5000}],
    }
    assert found["/SETUP"]["is_directory"]
    assert "/Lies mich zuerst – 潮汐.txt" in {entry["path"] for entry in joliet["entries"]}
    assert [entry["platform_id"] for entry in document["boot"]["entries"]] == [0, 0xEF]
    assert document["boot"]["checksum_is_valid"] is True
    assert {row["name"]: row["sectors"] for row in document["capacity"]}["74min"] == 333_000


def test_json_of_anything_is_json(tmp_path: Path) -> None:
    empty = tmp_path / "empty.iso"
    empty.write_bytes(b"")
    document = json.loads(show(empty, "--json").stdout)
    assert document["volumes"] == []
    assert document["boot"] is None
    assert [finding["rule"] for finding in document["findings"]] == ["no-volume"]
    bare = tmp_path / "bare.iso"
    make_iso({}).save(bare)
    document = json.loads(show(bare, "--json").stdout)
    assert [volume["entries"] for volume in document["volumes"]] == [[]]
    picked = json.loads(show(bare, "--json", "--volume", "joliet").stdout)
    assert picked["volumes"] == []


HOSTILE = "evil\x1b[2J\u202ename\x07"


def test_nothing_from_a_disc_steers_the_terminal(tmp_path: Path) -> None:
    made = make_iso(
        {"A.TXT": b"a", "D/B.TXT": b"b"},
        label="BAD\x1b[31mLABEL",
        joliet=3,
        rock_ridge=True,
        long_names={"A.TXT": HOSTILE, "D": "../../up"},
    )
    path = made.save(tmp_path / "hostile.iso")
    for arguments in (["--tree"], ["--json"], ["--all", "--tree", "-q"]):
        output = show(path, *arguments).output
        assert "\x1b" not in output
        assert "\x07" not in output
        assert "\u202e" not in output
    for volume in json.loads(show(path, "--json").stdout)["volumes"]:
        assert not any(".." in entry["path"].split("/") for entry in volume["entries"])
    assert r"evil\x1b[2J\u202ename\x07" in show(path, "--tree").stdout


@pytest.mark.parametrize("columns", [40, 80])
def test_it_fits_the_terminal(made: MadeImage, tmp_path: Path, columns: int) -> None:
    path = tmp_path / "damaged.iso"
    path.write_bytes(zero(made.data, made.directory("/SETUP")))
    result = show(path, columns=columns)
    # What is wrapped; names in a tree are never cut.
    assert max(map(len, result.stdout.splitlines())) <= columns


def test_raw_images_and_sheets_are_sent_to_convert(tmp_path: Path) -> None:
    sheet = tmp_path / "disc.cue"
    sheet.write_text('FILE "disc.bin" BINARY\n')
    result = show(sheet)
    assert result.exit_code == 1
    assert "this is a cue sheet" in result.stdout
    assert "mediashelf convert" in result.stdout


def test_an_enhanced_volume_and_a_file_in_sections_are_told_apart(tmp_path: Path) -> None:
    made = make_iso({"BIG.BIN": bytes(9000)}, enhanced=True, sections={"BIG.BIN": 4096})
    output = show(made.save(tmp_path / "enhanced.iso"), "--tree").stdout
    assert 'iso9660    "MADE", ISO 9660:1999' in output
    assert "iso9660 tree (ISO 9660:1999)" in output
    assert "BIG.BIN  9,000  1999-06-01  3 sections" in output


def test_udf_has_its_revision(tmp_path: Path) -> None:
    made = make_iso({"A.TXT": b"a"}, udf="NSR02", udf_revision=0x0150)
    output = show(made.save(tmp_path / "udf.iso")).stdout
    assert 'udf        "MADE", NSR02, revision 1.50' in output


def test_help_has_examples() -> None:
    result = show("--help")
    assert result.exit_code == 0
    assert "mediashelf show disc.iso --tree --volume joliet" in result.stdout


def test_many_images_one_after_the_other(made: MadeImage, tmp_path: Path) -> None:
    sound = made.save(tmp_path / "sound.iso")
    cut = tmp_path / "cut.iso"
    cut.write_bytes(made.data[: -20 * SECTOR])
    result = show(sound, cut)
    assert result.exit_code == 1
    assert [line for line in result.stdout.splitlines() if line.endswith(".iso")] == [
        "sound.iso",
        "cut.iso",
    ]
    quiet = show("-q", sound, cut).stdout
    assert quiet.replace("\n", "").startswith(f"{cut}:error ")  # a long path is wrapped
    assert "sound.iso" not in quiet


def test_an_image_that_cannot_be_opened_does_not_hide_the_others(
    made: MadeImage, tmp_path: Path
) -> None:
    result = show(tmp_path / "gone.iso", made.save(tmp_path / "tides.iso"))
    assert result.exit_code == 3
    assert "gone.iso" in result.stderr
    assert "tides.iso\n" in result.stdout


@pytest.mark.parametrize("option", [["--json"], ["--report", "page.html"]])
def test_json_and_pages_are_of_one_image(
    option: list[str], made: MadeImage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    path = made.save(tmp_path / "tides.iso")
    result = show(path, path, *option)
    assert result.exit_code == 2
    assert "name one" in result.stderr


def test_none_of_the_files_bytes_are_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "tide.iso"
    path.write_bytes(tide_image(mebibytes=3))
    with open_image(path) as image:
        files = image.facts.volumes[0].files
    contents = {
        at
        for entry in files
        for extent in entry.extents
        for at in range(extent.lba, extent.lba + -(-extent.size // SECTOR))
    }
    read: set[int] = set()
    real = FileView.read

    def noted(view: FileView, offset: int, size: int) -> bytes:
        data = real(view, offset, size)
        read.update(range(offset // SECTOR, -(-(offset + len(data)) // SECTOR)))
        return data

    monkeypatch.setattr(FileView, "read", noted)
    assert show(path).exit_code == 0
    # Descriptors of other kinds are looked for near the beginning, wherever files are.
    assert not {at for at in read & contents if at > 40}
    assert 10 < len(read) < 60  # of 1,560 sectors


def test_copies_are_asked_for_once_a_content(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shelf = Shelf(tmp_path)
    shelf.home.mkdir()
    files = [shelf.home / f"{number}.iso" for number in range(6)]
    for number, file in enumerate(files):
        file.write_bytes(tide_image(number % 2))
    shelf.run("shelf", "add", shelf.home, "--name", "home")
    shelf.run("scan")
    asked: list[str] = []

    def count(db: object, digest: str) -> list[ImageRow]:
        asked.append(digest)
        return by_digest(db, digest)  # type: ignore[arg-type]

    monkeypatch.setattr(duplicates, "by_digest", count)
    several = shelf.run("show", *files).output
    assert len(asked) == 2
    assert several == "\n".join(shelf.run("show", file).output for file in files)

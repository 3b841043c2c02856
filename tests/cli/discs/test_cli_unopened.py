"""Archives among drivers: every command that looks for drivers says what stayed closed."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli_runs import Shelf
from make_fat import make_fat
from make_files import make_pe
from make_image import make_iso
from make_wrappings import behind_program, make_seven_zip, make_tar, make_zip
from mediashelf.cli.main import main

INF = (
    b'[Version]\r\nSignature="$CHICAGO$"\r\nClass=Net\r\n[Manufacturer]\r\nTernfield=Tern\r\n'
    b"[Tern]\r\nTernfield LAN=Inst,PCI\\VEN_F4B9&DEV_0100\r\n[Inst]\r\n"
)


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, list(arguments))


UNKNOWN = behind_program(bytes(range(1, 256)) * 100)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "400")
    drivers = tmp_path / "drivers"
    drivers.mkdir()
    (drivers / "lan.exe").write_bytes(behind_program(make_zip({"WIN9X/TERN.INF": INF})))
    (drivers / "data1.cab").write_bytes(b"ISc(" + bytes(100))
    (drivers / "setup.exe").write_bytes(UNKNOWN)
    (drivers / "tool.exe").write_bytes(make_pe().data)
    (tmp_path / "machine.txt").write_text(
        "00:0b.0 Ethernet controller [0200]: Ternfield LAN [f4b9:0100]\n"
    )
    (tmp_path / "disc.toml").write_text(
        'label = "D"\ntargets = ["win9x"]\nmachine = "machine.txt"\n[[folder]]\nfrom = "drivers"\n'
    )
    (tmp_path / "drivers.iso").write_bytes(
        make_iso({path.name.upper(): path.read_bytes() for path in drivers.iterdir()}).data
    )
    return tmp_path


CLOSED = "not opened: an installer of unknown kind: 25,500 bytes follow the program"


@pytest.mark.parametrize(
    "arguments",
    [
        ["drivers", "drivers", "-m", "machine.txt", "-t", "win9x"],
        ["drivers", "drivers.iso", "-m", "machine.txt", "-t", "win9x"],
        ["drivers", "disc.toml"],
        ["build", "disc.toml", "--dry-run"],
        ["recipe", "new", "drivers"],
    ],
    ids=["folder", "image", "recipe", "build", "recipe new"],
)
def test_every_command_names_what_was_not_looked_into(folder: Path, arguments: list[str]) -> None:
    result = run(*arguments)
    assert CLOSED in result.output
    assert "not opened: an InstallShield cabinet" in result.output
    assert "1 INF in this program with a ZIP archive in it (WIN9X/TERN.INF)" in result.output
    assert "tool.exe" not in result.output.lower().replace("tool.exe, ", "")


def test_a_recipe_in_a_file_does_not_hide_what_is_closed(folder: Path) -> None:
    result = run("recipe", "new", "drivers", "-o", "new.toml")
    assert "3 files still packed or not opened: see its end" in result.output
    assert "to do: Unpack it on a system that can" in (folder / "new.toml").read_text()


def test_prepare_names_it_as_well(folder: Path) -> None:
    (folder / "session.toml").write_text(
        'name = "N"\ntargets = ["win9x"]\n[machine]\nname = "Kiosk"\ndevices = "machine.txt"\n'
        '[[disc]]\nrecipe = "disc.toml"\n'
    )
    (folder / "card").mkdir()
    assert CLOSED in run("prepare", "session.toml", "--to", "card", "--dry-run").output


def test_none_is_not_the_last_word_while_files_are_closed(folder: Path) -> None:
    result = run("drivers", "drivers", "-m", "machine.txt", "-t", "win9x")
    assert "open these first: 2 files not looked into and 1 archive with packages still packed" in (
        result.output
    )
    for name in ("lan.exe", "data1.cab", "setup.exe"):
        (folder / "drivers" / name).unlink()
    plain = run("drivers", "drivers", "-m", "machine.txt", "-t", "win9x")
    assert "to do: add a package for it" in plain.output


def test_an_archive_alone_is_looked_into(folder: Path) -> None:
    result = run("drivers", "drivers/lan.exe", "-m", "machine.txt", "-t", "win9x")
    assert result.exit_code == 0, result.output
    assert "covered: /WIN9X/TERN.INF" in result.output


def test_an_installer_of_unknown_kind_alone_is_an_error(folder: Path) -> None:
    result = run("drivers", "drivers/setup.exe", "-m", "machine.txt", "-t", "win9x")
    assert result.exit_code == 3
    assert "is an installer of unknown kind" in result.stderr


def test_a_cabinet_beside_its_inf_is_not_called_packed(folder: Path) -> None:
    package = folder / "package"
    package.mkdir()
    (package / "TERN.INF").write_bytes(INF)
    (package / "TERN.CAB").write_bytes(b"MSCF" + bytes(40))
    result = run("drivers", "package", "-m", "machine.txt", "-t", "win9x")
    assert "not opened" not in result.output


def test_an_encrypted_or_cut_archive_is_named(folder: Path) -> None:
    zipped = make_zip({"TERN.INF": INF})
    (folder / "drivers" / "cut.zip").write_bytes(zipped[:-30])
    (folder / "drivers" / "pack.7z").write_bytes(make_seven_zip({"TERN.INF": INF * 50})[:-20])
    result = run("drivers", "drivers", "-m", "machine.txt", "-t", "win9x")
    assert "cut.zip: not opened: the ZIP archive is cut short" in result.output
    assert "pack.7z: not opened: the 7z archive is cut short: it has" in result.output
    assert "to do: Get it again, or another copy of it" in result.output


def test_a_package_that_is_encrypted_is_not_called_packed(folder: Path) -> None:
    """Naming the archive as a source would not help."""
    (folder / "drivers" / "lan.exe").write_bytes(encrypted(make_zip({"WIN9X/TERN.INF": INF})))
    result = run("drivers", "drivers", "-m", "machine.txt", "-t", "win9x")
    assert "1 file in it cannot be read (WIN9X/TERN.INF): encrypted" in result.output
    assert "packages-in-archive" not in result.output


def test_an_archive_that_breaks_off_is_named(folder: Path) -> None:
    packed = make_tar({"READ.TXT": b"Ternfield", "TERN.INF": INF})
    (folder / "package").mkdir()
    (folder / "package" / "pack.tar").write_bytes(packed[:1400])
    result = run("drivers", "package", "-m", "machine.txt", "-t", "win9x")
    assert "pack.tar: not all of it was looked into" in result.output
    assert "open these first: 1 file not looked into" in result.output


@pytest.mark.parametrize("name", ["driver.dat", "TERNLAN", "setup.com", "DISK1.DSK"])
def test_the_ending_of_a_name_hides_no_archive(folder: Path, name: str) -> None:
    (folder / "package").mkdir()
    (folder / "package" / name).write_bytes(make_zip({"TERN.INF": INF}))
    result = run("drivers", "package", "-m", "machine.txt", "-t", "win9x")
    assert "1 INF in this ZIP archive (TERN.INF)" in result.output


def test_a_compressed_inf_is_not_passed_over(folder: Path) -> None:
    (folder / "package").mkdir()
    (folder / "package" / "TERN.IN_").write_bytes(b"SZDD\x88\xf0'3A\0" + bytes(40))
    (folder / "package" / "TERN.SY_").write_bytes(b"SZDD\x88\xf0'3A\0" + bytes(40))
    result = run("drivers", "package", "-m", "machine.txt", "-t", "win9x")
    assert "TERN.IN_: not opened: a file compressed for a setup program" in result.output
    assert "open these first: 1 file not looked into" in result.output


@pytest.mark.parametrize("is_encrypted", [True, False], ids=["encrypted", "damaged"])
def test_an_archive_whose_inf_cannot_be_read_is_not_the_last_word(
    folder: Path, is_encrypted: bool
) -> None:
    packed = make_zip({"TERN.INF": INF}, zipfile.ZIP_STORED)
    made = encrypted(packed) if is_encrypted else packed.replace(b"Ternfield", b"Ternfjeld")
    (folder / "pack.zip").write_bytes(made)
    result = run("drivers", "pack.zip", "-m", "machine.txt", "-t", "win9x")
    assert "to do: open these first: 1 file not looked into" in result.output


def encrypted(data: bytes) -> bytes:
    """A ZIP archive whose records say that its members are encrypted (APPNOTE 4.4.4, bit 0)."""
    made = bytearray(data)
    for signature, flags in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        made[made.index(signature) + flags] |= 1
    return bytes(made)


def test_sources_on_shelves_go_by_their_names(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    shelf.home.mkdir()
    (shelf.home / "kiosk.iso").write_bytes(make_iso({"LAN/TERN.INF": INF}).data)
    shelf.run("shelf", "add", shelf.home)
    shelf.run("scan")
    recipe = tmp_path / "disc.toml"
    recipe.write_text(
        'label = "D"\ntargets = ["win9x"]\n[[folder]]\nfrom = "home:kiosk.iso:/LAN"\nto = "/L"\n'
    )
    (tmp_path / "machine.txt").write_text("PCI\\VEN_F4B9&DEV_0100\n")
    shelf.run("build", recipe, "-o", tmp_path / "disc.iso")
    shelf.run("check", recipe)
    for source in (recipe, "home:kiosk.iso:/LAN", "home:kiosk.iso"):
        text = shelf.run("drivers", source, "-m", tmp_path / "machine.txt", "-t", "win9x").stdout
        assert "1 of 1 device covered" in text
    (tmp_path / "session.toml").write_text(
        'name = "N"\ntargets = ["win9x"]\n[machine]\nname = "K"\n[[disc]]\nrecipe = "disc.toml"\n'
    )
    assert "D" in shelf.run("plan", "show", tmp_path / "session.toml").stdout
    recipe.write_text('label = "D"\n[[folder]]\nfrom = "home:kiosk.iso:/WIFI"\n')
    problem = shelf.run("build", recipe, "-n", code=3).stderr
    assert "home/kiosk.iso:/WIFI: no such folder" in problem.replace("\\", "/")


def test_a_set_of_floppies_becomes_one_folder(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path, width=300)
    text = (
        b'[Version]\r\nSignature="$CHICAGO$"\r\n[SourceDisksNames]\r\n1 = "One", t1, ,\r\n'
        b'2 = "Two", t2, ,\r\n'
    )
    (tmp_path / "disk1.ima").write_bytes(make_fat({"SETUP.INF": text, "T1": b"1"}))
    (tmp_path / "disk2.ima").write_bytes(make_fat({"T2": b"2", "WAVE.DRV": b"wave"}))
    floppies = (tmp_path / "disk1.ima", tmp_path / "disk2.ima")
    result = shelf.run("build", *floppies, "-o", tmp_path / "disc.iso", "--label", "SET")
    assert "floppies-joined" in result.stdout
    shelf.run("extract", tmp_path / "disc.iso", "-q", "-o", tmp_path / "out")
    assert {"SETUP.INF", "T1", "T2", "WAVE.DRV"} <= {
        one.name for one in (tmp_path / "out").iterdir()
    }
    drafted = shelf.run("recipe", "new", *floppies).stdout
    assert drafted.count('to = "/"') == 2


def test_drivers_of_a_set_of_floppies_are_looked_for_as_they_would_be_built(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path, width=300)
    text = INF + (
        b"CopyFiles=Files\r\n[Files]\r\nTLAN.SYS\r\n[DestinationDirs]\r\nDefaultDestDir=11\r\n"
        b"[SourceDisksNames]\r\n1=One,T1\r\n2=Two,T2\r\n[SourceDisksFiles]\r\nTLAN.SYS=2\r\n"
    )
    (tmp_path / "disk1.ima").write_bytes(make_fat({"TLAN.INF": text, "T1": b"1"}))
    (tmp_path / "disk2.ima").write_bytes(make_fat({"T2": b"2", "TLAN.SYS": b"driver"}))
    (tmp_path / "machine.txt").write_text("PCI\\VEN_F4B9&DEV_0100\n")
    wanted = ("-m", tmp_path / "machine.txt", "-t", "win9x")
    floppies = (tmp_path / "disk1.ima", tmp_path / "disk2.ima")
    result = shelf.run("drivers", *floppies, *wanted)
    assert "1 of 1 device covered" in result.stdout
    assert "floppies-joined" in result.stdout
    assert "lacks TLAN.SYS" in shelf.run("drivers", floppies[0], *wanted, code=1).stdout

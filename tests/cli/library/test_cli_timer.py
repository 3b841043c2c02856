"""``mediashelf timer``: unit files, and what systemd itself understands of them."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, tide_image, write
from mediashelf.cli.timer.night import NightlyAudit
from mediashelf.cli.timer.units import service_text, timer_text, unit_word
from mediashelf.errors import CatalogueError, InputError

if os.name == "nt":
    pytest.skip("systemd and its paths are not of Windows", allow_module_level=True)

needs_systemd = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="needs systemd-analyze (Debian: systemd)"
)


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    made = Shelf.with_shelves(tmp_path, "home")
    write(made.home / "tide.iso", tide_image(1), DATE)
    made.run("scan")
    return made


def analyze(*words: str | Path) -> str:
    """Run systemd-analyze on files and return all that it prints; C locale."""
    run = subprocess.run(
        ["systemd-analyze", *words],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "LC_ALL": "C.UTF-8", "SYSTEMD_LOG_TARGET": "console"},
    )
    return run.stdout + run.stderr


def night(**changes: object) -> NightlyAudit:
    values: dict[str, object] = {
        "program": [Path("/usr/bin/true")],
        "words": ["audit", "--due", "180d"],
        "user": "daemon",
        "age": "180 days",
        "hour": 3,
        "minute": 0,
        "catalogue_folder": Path("/var/lib/mediashelf"),
        "shelves": [Path("/srv/isos")],
    }
    return NightlyAudit(**{**values, **changes})  # type: ignore[arg-type]


def test_both_units_with_how_to_install_them(shelf: Shelf) -> None:
    out = shelf.run("timer").stdout
    assert "nothing is installed" in out
    assert "systemctl enable --now mediashelf-audit.timer" in out
    assert "OnCalendar=*-*-* 03:00:00\n" in out
    assert "Persistent=yes\n" in out
    assert f"ReadOnlyPaths=-{shelf.home}\n" in out
    assert f"ReadWritePaths={shelf.folder}\n" in out
    assert f"--catalogue {shelf.catalogue}\n" in out
    assert "PrivateTmp=yes" not in out  # the test's own folder would not be seen
    quiet = shelf.run("timer", "-q").stdout
    assert quiet.startswith("# ---- mediashelf-audit.service\n[Unit]\n")
    assert out.endswith(quiet)
    assert not any(path.suffix in (".service", ".timer") for path in shelf.folder.rglob("*"))


def test_options_go_into_the_command_and_the_time_into_the_timer(shelf: Shelf) -> None:
    words = ("--nightly", "23:45", "--due", "26w", "--budget", "1h", "--depth", "contents")
    document = shelf.json("timer", "home", *words, "--user", "anna")
    service, timer = document["service"]["text"], document["timer"]["text"]
    flat = service.replace("\\\n", "")
    command = re.search(r"^ExecStart=:(.*)$", flat, re.MULTILINE)
    assert command is not None
    assert command.group(1).split()[1:] == [
        *("audit", "--due", "26w", "--budget", "1h", "--depth", "contents", "--past-cache"),
        *("--catalogue", str(shelf.catalogue), "--", "home"),
    ]
    assert "User=anna\n" in service
    assert "OnCalendar=*-*-* 23:45:00\n" in timer
    assert document["service"]["file"] == "/etc/systemd/system/mediashelf-audit.service"
    for kind in ("service", "timer"):
        assert shelf.run("timer", "--only", kind).stdout.startswith("[Unit]\n")
    alone = shelf.run("timer", "home", *words, "--user", "anna", "--only", "service").stdout
    assert alone == service


def test_the_command_in_it_does_the_job(shelf: Shelf) -> None:
    """What stands in the unit is run as systemd would run it: without this environment."""
    service = shelf.json("timer", "home")["service"]["text"]
    command = service.replace("\\\n", "").split("ExecStart=:")[1].splitlines()[0].split()
    if Path(command[0]).name == "mediashelf":
        command[0:1] = [sys.executable, "-m", "mediashelf"]  # this source, not an installed one
    run = subprocess.run(command, capture_output=True, text=True, env={}, cwd="/", check=False)
    assert (run.returncode, run.stderr) == (0, "")
    assert "1 of 1 image was due" in run.stdout
    again = subprocess.run(command, capture_output=True, text=True, env={}, cwd="/", check=False)
    assert "Nothing is due: 1 image confirmed within 180 days." in again.stdout


@pytest.mark.parametrize("time", ["24:00", "3", "03:60", "3:5", "noon", "03:00:00", "-1:00", ""])
def test_times_that_are_none(shelf: Shelf, time: str) -> None:
    assert "is not a time of day" in shelf.run("timer", "--nightly", time, code=2).stderr


def test_wrong_words(shelf: Shelf) -> None:
    assert "not a span of time" in shelf.run("timer", "--due", "180", code=2).stderr
    assert "not a span of time" in shelf.run("timer", "--budget", "30 minutes", code=2).stderr
    wrong = shelf.run("timer", "hom", code=InputError.exit_code)
    assert "did you mean 'home'" in wrong.stderr
    shelf.run("timer", "--depth", "structure", code=2)
    shelf.run("timer", "--user", "anna\n[Service]", code=InputError.exit_code)


def test_without_a_shelf_there_is_nothing_to_audit(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    told = shelf.run("timer", code=CatalogueError.exit_code).stderr
    assert "mediashelf shelf add FOLDER" in told
    assert not shelf.catalogue.exists()


ODD = [
    "a b",
    "100% sure",
    'with "quotes"',
    "it's",
    "back\\slash\\n\\x41",
    "$HOME ${HOME} $$",
    "Ünïcode ☃",
    "semi ; colon",
    "#comment",
    "a=b",
    "trailing\\",
    "~",
    "-dash",
]


@pytest.mark.parametrize("name", ODD)
@needs_systemd
def test_systemd_reads_odd_paths_as_they_are(tmp_path: Path, name: str) -> None:
    """A relative path in a list of paths is refused in words that quote it as understood."""
    unit = tmp_path / "odd.service"
    unit.write_text(
        "[Service]\nType=oneshot\nExecStart=:/usr/bin/true\n"
        f"ReadOnlyPaths={unit_word('odd ' + name)} /after\n"
    )
    told = analyze("verify", "--man=no", unit)
    assert f"odd {name}\n" in told.replace(", ignoring", "\n")


@pytest.mark.parametrize("name", [name for name in ODD if not set(name) & set("\"'\\")])
@needs_systemd
def test_systemd_reads_odd_programs_as_they_are(tmp_path: Path, name: str) -> None:
    folder = tmp_path / name
    folder.mkdir()
    program = folder / "mediashelf"
    unit = tmp_path / "odd.service"
    unit.write_text(service_text(night(program=[program], words=["audit", name])))
    told = analyze("verify", "--man=no", unit)
    assert f"Command {program} is not executable: No such file or directory" in told
    shutil.copyfile("/bin/true", program)
    program.chmod(0o755)
    assert analyze("verify", "--man=no", unit) == ""


@needs_systemd
def test_systemd_takes_both_units_without_a_word(tmp_path: Path) -> None:
    service = tmp_path / "mediashelf-audit.service"
    service.write_text(service_text(night(shelves=[Path("/srv/my isos"), Path("/media/100%")])))
    timer = tmp_path / "mediashelf-audit.timer"
    timer.write_text(timer_text(night()))
    assert analyze("verify", "--man=no", service, timer) == ""


@needs_systemd
def test_systemd_itself_finds_the_service_well_confined(tmp_path: Path) -> None:
    """Its own measure: 0 is confined, 10 is open; a service without any of this has 9.6."""
    service = tmp_path / "mediashelf-audit.service"
    service.write_text(service_text(night()))
    verdict = re.search(r"([0-9]+\.[0-9]) [A-Z]+", analyze("security", "--offline=true", service))
    assert verdict is not None
    assert float(verdict.group(1)) < 2.5


@needs_systemd
def test_systemd_reads_the_time(tmp_path: Path) -> None:
    text = timer_text(night(hour=4, minute=5))
    (calendar,) = re.findall(r"^OnCalendar=(.*)$", text, re.MULTILINE)
    assert "Next elapse" in analyze("calendar", calendar)
    assert re.search(r"Normalized form: \*-\*-\* 04:05:00", analyze("calendar", calendar))


def test_what_systemd_would_refuse_is_refused_here() -> None:
    for program in ('/opt/"x"/mediashelf', "/opt/it's/mediashelf", "/opt/back\\slash/mediashelf"):
        with pytest.raises(InputError, match="no program with quotes or backslashes"):
            service_text(night(program=[Path(program)]))
    for name in ("/srv/new\nline", "/srv/\x1b[2J", "/srv/\udcff", ""):
        with pytest.raises(InputError, match="a unit file cannot name this"):
            unit_word(name)


def test_private_tmp_unless_something_lies_there(tmp_path: Path) -> None:
    assert "\nPrivateTmp=yes\n" in service_text(night())
    for changes in (
        {"shelves": [Path("/tmp/isos")]},
        {"catalogue_folder": Path("/var/tmp/x")},
        {"program": [Path("/tmp/venv/bin/mediashelf")]},
    ):
        text = service_text(night(**changes))
        assert "\nPrivateTmp" not in text
        assert "# No PrivateTmp" in text


def test_a_shelf_that_holds_the_catalogue_stays_writable() -> None:
    text = service_text(night(shelves=[Path("/var/lib/mediashelf"), Path("/srv/isos")]))
    assert "ReadOnlyPaths=-/var/lib/mediashelf" not in text
    assert "ReadOnlyPaths=-/srv/isos\n" in text
    assert "stays writable" in text
    inside = service_text(night(shelves=[Path("/var/lib")]))  # the nearer folder counts
    assert "ReadOnlyPaths=-/var/lib\n" in inside
    assert "ReadWritePaths=/var/lib/mediashelf\n" in inside


def test_root_may_read_what_is_not_its_own() -> None:
    assert "CapabilityBoundingSet=\n" in service_text(night())
    assert "CapabilityBoundingSet=CAP_DAC_READ_SEARCH\n" in service_text(night(user="root"))


def test_a_linked_catalogue_is_written_where_it_is(shelf: Shelf) -> None:
    link = shelf.folder / "links" / "catalogue.sqlite"
    link.parent.mkdir()
    link.symlink_to(shelf.catalogue)
    out = shelf.run("timer", "--catalogue", link).stdout
    assert f"ReadWritePaths={shelf.folder}\n" in out
    assert f"--catalogue {link}\n" in out


def test_one_odd_name_of_a_folder_does_not_stop_the_others(shelf: Shelf) -> None:
    odd = shelf.folder / "tab\there\nExecStart=x"
    odd.mkdir()
    shelf.run("shelf", "add", odd)
    lines = shelf.run("timer", "--only", "service").stdout.splitlines()
    assert f"ReadOnlyPaths=-{shelf.home}" in lines
    assert not [line for line in lines if line.startswith("ExecStart=x")]
    (told,) = [line for line in lines if "tab\\x09here\\x0aExecStart=x" in line]
    assert told.startswith("# Not named here, as no unit file can: ")

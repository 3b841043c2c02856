"""``mediashelf timer`` for Windows and macOS: what parsers of their forms read in it."""

from __future__ import annotations

import ctypes
import os
import plistlib
import shlex
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

from cli_runs import Shelf
from made_library import DATE, tide_image, write
from mediashelf.cli.timer.night import NightlyAudit
from mediashelf.cli.timer.scheduled import agent_text, task_text
from mediashelf.errors import InputError

PLACE = {"t": "http://schemas.microsoft.com/windows/2004/02/mit/task"}
ODD = ["a b", "Video & Co", "<x>", 'with "quotes"', "end\\", "Ünïcode ☃", "100%", "", "it's", "-x"]


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    made = Shelf(tmp_path / "Images & more")
    made.home.mkdir(parents=True)
    made.run("shelf", "add", made.home)
    write(made.home / "tide.iso", tide_image(1), DATE)
    made.run("scan")
    return made


def night(*words: str, user: str = "") -> NightlyAudit:
    here = Path("/x")
    return NightlyAudit(["C:\\Program Files\\m & m.exe"], words, user, "180 days", 3, 5, here, [])


def split_as_windows_does(line: str) -> list[str]:
    """The words that a program for Windows gets: CommandLineToArgvW where it is to be had."""
    if os.name != "nt":
        pytest.skip("CommandLineToArgvW is a part of Windows")
    count = ctypes.c_int()
    split = ctypes.windll.shell32.CommandLineToArgvW
    split.restype = ctypes.POINTER(ctypes.c_wchar_p)
    found = split(ctypes.c_wchar_p(f"program {line}"), ctypes.byref(count))
    return [found[number] for number in range(1, count.value)]


def arguments(text: str) -> str:
    return ElementTree.fromstring(text).findtext("t:Actions/t:Exec/t:Arguments", None, PLACE) or ""


def test_a_task_has_every_word_of_the_command() -> None:
    text = task_text(night("audit", *ODD), is_explained=True)
    assert text.isascii()
    task = ElementTree.fromstring(text)
    command = task.findtext("t:Actions/t:Exec/t:Command", None, PLACE)
    assert command == "C:\\Program Files\\m & m.exe"
    assert arguments(text) == subprocess.list2cmdline(["audit", *ODD])
    start = task.findtext("t:Triggers/t:CalendarTrigger/t:StartBoundary", None, PLACE)
    assert str(start).endswith("T03:05:00")
    assert task.find("t:Principals/t:Principal/t:UserId", PLACE) is None
    assert "schtasks /Create" in text
    assert "<UserId>anna</UserId>" in task_text(night(user="anna"), is_explained=False)


def test_windows_splits_the_line_into_the_same_words() -> None:
    text = task_text(night("audit", *ODD), is_explained=False)
    assert split_as_windows_does(arguments(text)) == ["audit", *ODD]


def test_an_agent_has_every_word_of_the_command() -> None:
    text = agent_text(night("audit", *ODD, user="anna"), is_explained=True)
    assert text.isascii()
    agent = plistlib.loads(text.encode())
    assert agent["ProgramArguments"] == ["C:\\Program Files\\m & m.exe", "audit", *ODD]
    assert agent["StartCalendarInterval"] == {"Hour": 3, "Minute": 5}
    assert (agent["Label"], agent["UserName"]) == ("mediashelf.audit", "anna")
    assert "launchctl bootstrap" in text


@pytest.mark.parametrize("make", [task_text, agent_text])
@pytest.mark.parametrize("name", ["new\nline", "\x1b[2J", "\udcff", "\uffff"])
def test_what_xml_cannot_hold_is_refused(make: object, name: str) -> None:
    with pytest.raises(InputError, match="XML cannot name this"):
        make(night(name), is_explained=False)  # type: ignore[operator]


@pytest.mark.parametrize("system", ["windows", "macos"])
def test_the_command_in_it_does_the_job(shelf: Shelf, system: str) -> None:
    """What is printed is run as it stands, without this environment."""
    document = shelf.json("timer", "home", "--for", system)
    if system == "macos":
        words = plistlib.loads(document["agent"]["text"].encode())["ProgramArguments"]
    else:
        task = ElementTree.fromstring(document["task"]["text"])
        line = arguments(document["task"]["text"])
        words = split_as_windows_does(line) if os.name == "nt" else shlex.split(line)
        words = [str(task.findtext("t:Actions/t:Exec/t:Command", None, PLACE)), *words]
    if Path(words[0]).stem == "mediashelf":
        words[0:1] = [sys.executable, "-m", "mediashelf"]  # this source, not an installed one
    run = subprocess.run(words, capture_output=True, text=True, check=False)
    assert (run.returncode, run.stderr) == (0, "")
    assert "1 of 1 image was due" in run.stdout


@pytest.mark.parametrize(
    ("platform", "begins"),
    [("win32", '<?xml version="1.0"?>\n<!--'), ("darwin", "<?xml"), ("linux", "# Two unit files")],
)
def test_each_system_gets_its_own_form(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch, platform: str, begins: str
) -> None:
    monkeypatch.setattr(sys, "platform", platform)
    if os.name == "nt" and platform == "linux":
        pytest.skip("systemd starts no program whose path has backslashes")
    out = shelf.run("timer").stdout
    assert out.startswith(begins)
    assert ("plist" in out) is (platform == "darwin")
    if platform != "linux":
        assert "--only is for systemd" in shelf.run("timer", "--only", "timer", code=2).stderr
        assert "<!--" not in shelf.run("timer", "-q").stdout

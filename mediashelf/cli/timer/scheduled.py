"""The nightly audit as a task of Windows' Task Scheduler, and as an agent of macOS' launchd.

The task's elements: [MS-TSCH] 2.4 (XML schema). How words become one line: Microsoft,
"Parsing C command-line arguments". The agent's keys: launchd.plist(5) of macOS. Both from
memory of those pages, tried on neither system. Both are ASCII, so that any way to save them
keeps them whole.
"""

from __future__ import annotations

import plistlib
import subprocess
from pathlib import Path
from xml.etree import ElementTree

from mediashelf.cli.timer.night import NightlyAudit
from mediashelf.errors import InputError

TASK_NAME = "mediashelf-audit"
TASK_FILE = f"{TASK_NAME}.xml"
AGENT_NAME = "mediashelf.audit"
AGENT_FILE = f"~/Library/LaunchAgents/{AGENT_NAME}.plist"
_NAMESPACE = "http://schemas.microsoft.com/windows/2004/02/mit/task"
_SOME_DAY = "2020-01-01"  # the first night; with StartWhenAvailable the next one counts

_HOW_TASK = f"""
Made by mediashelf; nothing is installed. Save this as {TASK_FILE}, then:
  schtasks /Create /TN {TASK_NAME} /XML {TASK_FILE}
Try it at once, and read the last result (0: clean, 1: findings):
  schtasks /Run /TN {TASK_NAME}
  schtasks /Query /TN {TASK_NAME} /V /FO LIST
It runs while you are logged on; a drive that is away is passed over.
"""

_HOW_AGENT = f"""
Made by mediashelf; nothing is installed. Save this as
  {AGENT_FILE}
then:
  launchctl bootstrap gui/$(id -u) {AGENT_FILE}
Try it at once, and read what it said:
  launchctl kickstart gui/$(id -u)/{AGENT_NAME}
  cat ~/Library/Logs/{TASK_NAME}.log
"""


def task_text(night: NightlyAudit, *, is_explained: bool) -> str:
    """Return the task's definition, XML; with a comment on how to install it.

    Raises :class:`InputError` for names that XML cannot hold.
    """
    task = ElementTree.Element("Task", {"version": "1.2", "xmlns": _NAMESPACE})
    _grow(task, "RegistrationInfo/Description", _description(night))
    start = f"{_SOME_DAY}T{night.hour:02}:{night.minute:02}:00"
    _grow(task, "Triggers/CalendarTrigger/StartBoundary", start)
    _grow(task, "Triggers/CalendarTrigger/ScheduleByDay/DaysInterval", "1")
    if night.user:
        _grow(task, "Principals/Principal/UserId", night.user)
    _grow(task, "Principals/Principal/LogonType", "InteractiveToken")
    _grow(task, "Principals/Principal/RunLevel", "LeastPrivilege")
    task.find("Principals/Principal").set("id", "Author")  # type: ignore[union-attr]
    for name, value in (
        ("MultipleInstancesPolicy", "IgnoreNew"),
        ("DisallowStartIfOnBatteries", "true"),
        ("StartWhenAvailable", "true"),  # after a night on which the machine was off
        ("ExecutionTimeLimit", "PT12H"),
        ("Priority", "9"),  # of 0 to 10, the last but one
    ):
        _grow(task, f"Settings/{name}", value)
    program, *words = night.command
    _grow(task, "Actions/Exec/Command", program)
    _grow(task, "Actions/Exec/Arguments", subprocess.list2cmdline(words))
    task.find("Actions").set("Context", "Author")  # type: ignore[union-attr]
    ElementTree.indent(task)
    body = ElementTree.tostring(task, "us-ascii", xml_declaration=False).decode("ascii")
    how = f"<!--{_HOW_TASK}-->\n" if is_explained else ""
    return f'<?xml version="1.0"?>\n{how}{body}\n'


def agent_text(night: NightlyAudit, *, is_explained: bool) -> str:
    """Return the agent's property list, XML; with a comment on how to install it.

    Raises :class:`InputError` for names that XML cannot hold.
    """
    log = str(Path("~/Library/Logs").expanduser() / f"{TASK_NAME}.log")
    agent = {
        "Label": AGENT_NAME,
        "ProgramArguments": [_xml_word(word) for word in night.command],
        "StartCalendarInterval": {"Hour": night.hour, "Minute": night.minute},
        "ProcessType": "Background",
        "LowPriorityIO": True,
        "Nice": 19,
        "Umask": 0o077,
        "StandardOutPath": _xml_word(log),
        "StandardErrorPath": _xml_word(log),
    }
    if night.user:
        agent["UserName"] = _xml_word(night.user)
    text = plistlib.dumps(agent, sort_keys=False).decode("utf-8")
    if is_explained:
        head, plist, body = text.partition("<plist")
        text = f"{head}<!--{_HOW_AGENT}-->\n{plist}{body}"
    return text.encode("ascii", "xmlcharrefreplace").decode("ascii")


def _description(night: NightlyAudit) -> str:
    return f"Confirm disc images that were not read for {night.age}"


def _grow(top: ElementTree.Element, path: str, text: str) -> None:
    """Put a text at a path of elements, which are made where they are not there."""
    element = top
    for name in path.split("/"):
        found = element.find(name)
        element = ElementTree.SubElement(element, name) if found is None else found
    element.text = _xml_word(text)


def _xml_word(text: str) -> str:
    """Return a text that XML can hold (XML 1.0, 2.2), or raise :class:`InputError`."""
    if all(" " <= one <= "\ud7ff" or "\ue000" <= one <= "\ufffd" or one > "\uffff" for one in text):
        return text
    raise InputError(
        f"{text}: XML cannot name this; control characters and bytes that are not valid text "
        "cannot be written into it"
    )

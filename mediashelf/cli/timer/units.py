"""The text of a systemd service and timer that confirm a part of the library every night.

How words are quoted: systemd.syntax(7), systemd.service(5) "Command lines",
systemd.unit(5) "Specifiers". What the directives mean: systemd.exec(5).
"""

from __future__ import annotations

import re
from pathlib import Path

from mediashelf.cli.timer.night import NightlyAudit
from mediashelf.errors import InputError
from mediashelf.text import printable

SERVICE_NAME = "mediashelf-audit.service"
TIMER_NAME = "mediashelf-audit.timer"
UNIT_FOLDER = "/etc/systemd/system"

_PLAIN_WORD = re.compile(r"[A-Za-z0-9_./:=+,@-]+", re.ASCII)
_PRIVATE = (Path("/tmp"), Path("/var/tmp"))  # other places to a service with PrivateTmp
_TEMPLATE = """\
[Unit]
Description=Confirm disc images that were not read for {age}

[Service]
Type=oneshot
User={user}
# The colon: $ is just a character. Findings end it with code 1, so that a night that
# found something shows in: systemctl --failed
ExecStart=:{command}

# It reads when nobody else does.
Nice=19
IOSchedulingClass=idle

# Everything is read-only to it but the catalogue's folder.
ProtectSystem=strict
ProtectHome=read-only
ReadWritePaths={catalogue}
{shelves}
{private_tmp}
UMask=0077

# No devices, but /dev can be read: disks are told apart by /dev/disk/by-uuid.
DevicePolicy=closed
PrivateNetwork=yes
NoNewPrivileges=yes
CapabilityBoundingSet={capabilities}
LockPersonality=yes
ProtectClock=yes
ProtectControlGroups=yes
ProtectHostname=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
RemoveIPC=yes
RestrictAddressFamilies=AF_UNIX
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallErrorNumber=EPERM
"""

_TIMER = """\
[Unit]
Description=Every night: confirm disc images

[Timer]
OnCalendar=*-*-* {hour:02}:{minute:02}:00
# After a night on which the machine was off, it runs soon after the next start.
Persistent=yes

[Install]
WantedBy=timers.target
"""


def service_text(night: NightlyAudit) -> str:
    """Return the service's unit file.

    Raises :class:`InputError` for a name that a unit file cannot hold: one with
    control characters or bytes that are not valid text, and a program with quotes or
    backslashes in its path, which systemd refuses.
    """
    program = str(night.program[0])
    if any(character in program for character in "\"'\\"):
        raise InputError(
            f"{program}: systemd starts no program with quotes or backslashes in its path; "
            "install mediashelf elsewhere"
        )
    places = [Path(program), night.catalogue_folder, *night.shelves]
    real = [place.resolve() for place in places]
    hides_something = any(place.is_relative_to(root) for place in real for root in _PRIVATE)
    return _TEMPLATE.format(
        age=night.age,
        user=unit_word(night.user),
        command=_command(night),
        catalogue=unit_word(night.catalogue_folder),
        shelves="\n".join(_shelf_lines(night)),
        private_tmp=(
            "# No PrivateTmp: one of these is in a temporary folder."
            if hides_something
            else "PrivateTmp=yes"
        ),
        # root without any capability could not read other people's files.
        capabilities="CAP_DAC_READ_SEARCH" if night.user == "root" else "",
    )


def timer_text(night: NightlyAudit) -> str:
    """Return the timer's unit file; its time is the machine's local one."""
    return _TIMER.format(hour=night.hour, minute=night.minute)


def unit_word(text: Path | str) -> str:
    """Return a word as a unit file writes it.

    Raises :class:`InputError` for one that no unit file can hold.
    """
    word = str(text)
    if not is_unit_text(word):
        raise InputError(
            f"{word}: a unit file cannot name this; control characters, empty names and bytes that "
            "are not valid text cannot be written into one"
        )
    word = word.replace("%", "%%")
    if _PLAIN_WORD.fullmatch(word):
        return word
    escaped = word.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _command(night: NightlyAudit) -> str:
    """Return the command, with a line for each option."""
    words = [unit_word(word) for word in (*night.program, *night.words)]
    return " ".join(f"\\\n    {word}" if word.startswith("--") else word for word in words)


def _shelf_lines(night: NightlyAudit) -> list[str]:
    """Return a line for each shelf; the hyphen lets a shelf be away."""
    return [_shelf_line(shelf, night.catalogue_folder) for shelf in night.shelves]


def _shelf_line(shelf: Path, catalogue_folder: Path) -> str:
    # A folder cannot be both. Below a shelf, or above it, the nearer line counts.
    if shelf.resolve() == catalogue_folder:
        return "# A shelf is the catalogue's folder itself, and so stays writable."
    if not is_unit_text(str(shelf)):
        # One odd name must not keep the other shelves from their audit.
        return f"# Not named here, as no unit file can: {printable(str(shelf))}"
    return f"ReadOnlyPaths={unit_word(f'-{shelf}')}"


def is_unit_text(word: str) -> bool:
    """Tell whether a unit file can hold a word."""
    return bool(word) and printable(word) == word

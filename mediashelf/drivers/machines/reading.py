"""A file that describes a machine → its devices, and findings for lines that make no sense.

It may hold text of ``lspci`` and ``lsusb``, hardware ids one a line, a copy of a device
list with ids among other text, or all of these one after another; or it is a table with
columns, or an export of the registry's Enum keys.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct

from mediashelf.drivers.machines.devices import Device
from mediashelf.drivers.machines.line_findings import LineFindings
from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.inf.text.encoding import decode_inf

if TYPE_CHECKING:
    from mediashelf.drivers.machines.tables import TableForm

# What reads each form is loaded only for a file: most commands are told of no machine.

MAX_FILE = 32 << 20
"""Bytes of a machine's file; an export of the registry has some millions."""

MAX_LINE = 1000
"""Characters of a line that are looked at."""

_AMPERSAND = "&amp;"  # as lists that were saved from a page or from XML write it


class Machine(Struct, frozen=True):
    """The devices of one machine in the order of its file, and what was wrong with the file."""

    name: str
    devices: tuple[Device, ...]
    findings: tuple[Finding, ...] = ()


def read_machines(paths: Sequence[Path]) -> Machine:
    """Return one machine with the devices of all these files; raises :class:`InputError`."""
    machines = [read_machine(path) for path in dict.fromkeys(paths)]
    return Machine(
        " + ".join(machine.name for machine in machines),
        tuple(device for machine in machines for device in machine.devices),
        tuple(finding for machine in machines for finding in machine.findings),
    )


def read_machine(path: Path) -> Machine:
    """Return the machine that a file describes; raises :class:`InputError`."""
    try:
        with path.open("rb") as stream:
            data = stream.read(MAX_FILE + 1)
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror or error}") from error
    if len(data) > MAX_FILE:
        raise InputError(f"{path}: larger than {MAX_FILE:,} bytes, so no list of devices")
    return parse_machine(_decoded(data), name=path.name)


def _decoded(data: bytes) -> str:
    """Return the text: UTF-8 unless most of what is not ASCII is something else."""
    decoded = decode_inf(data, code_page="utf-8")
    others = sum(not character.isascii() for character in decoded.text) if decoded.undecoded else 0
    return decode_inf(data).text if decoded.undecoded * 2 > others else decoded.text


def parse_machine(text: str, *, name: str = "machine") -> Machine:
    """Return the machine that ``text`` describes; ``name`` stands in the findings."""
    from mediashelf.drivers.machines.registry_export import (
        is_registry_export,
        read_registry_export,
    )
    from mediashelf.drivers.machines.tables import find_table

    problems = LineFindings(name)
    text = text.replace("\0", "").replace("\r\n", "\n").replace("\r", "\n")
    if _AMPERSAND in text:
        import html

        text = html.unescape(text)
    if is_registry_export(text):
        devices = read_registry_export(text, problems)
    else:
        lines = text.split("\n")
        form = find_table(lines)
        devices = _table(form, lines, problems) if form else _list(lines, problems)
    findings = problems.all()
    if not devices:
        findings.append(
            Finding(
                "machine-without-devices",
                Severity.ERROR,
                name,
                "no device was found in the machine's file",
                "use the output of lspci -nnvmm, or one hardware id a line",
            )
        )
    return Machine(name, tuple(devices), tuple(findings))


def _table(form: TableForm, lines: Sequence[str], problems: LineFindings) -> list[Device]:
    from mediashelf.drivers.machines.tables import join_rows, read_row

    devices = []
    for number, line in enumerate(lines[: form.line - 1], 1):
        if line.strip() and not line.startswith("#"):
            problems.not_understood(number, line)
    for number, line in join_rows(form, lines):
        if not line.strip():
            continue
        device = read_row(form, line[: 4 * MAX_LINE], number, problems)
        if device is None:
            problems.not_understood(number, line)
        else:
            devices.append(device)
    return devices


def _list(lines: Sequence[str], problems: LineFindings) -> list[Device]:
    from mediashelf.drivers.machines.text_lists import TextParser

    parser = TextParser(problems)
    for number, line in enumerate(lines, 1):
        following = lines[number] if number < len(lines) else ""
        parser.take(line[:MAX_LINE], number, following)
    return parser.finish()

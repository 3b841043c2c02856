"""Devices of a list as rows, and the lines that name none."""

from __future__ import annotations

from mediashelf.drivers.machines.reading import Machine

CHIP, BOARD = "PCI\\VEN_F2C4&DEV_0301", "PCI\\VEN_F2C4&DEV_0301&SUBSYS_001EF2C4&REV_03"


def rows(machine: Machine) -> list[tuple[str, str]]:
    return [(device.name, device.hardware_ids[0]) for device in machine.devices]


def unknown(machine: Machine) -> list[str]:
    return [finding.where for finding in machine.findings]

"""Is the machine ready? Each row fires at its limit and not below it."""

from __future__ import annotations

from pathlib import Path

import pytest

from mediashelf.findings import Finding, Severity
from mediashelf.readability.limits import UNPUBLISHED
from mediashelf.readability.target_files import BUILT_IN
from mediashelf.sessions.discs.readiness import check_boot, check_readiness, readiness_rows
from mediashelf.sessions.manifests.parts import BootWay
from plan_texts import parse_plan

MIB, GB = 1 << 20, 10**9
FLOPPY = (BootWay("floppy-1.44MB", "x86"),)
PLAIN = (BootWay("no-emulation", "x86"),)

# Everything is said, and nothing of it is a problem for any target.
TAME = {
    "memory": 64 * MIB,
    "disk": 2 * GB,
    "disk_mode": "ide",
    "firmware": "bios",
    "optical_boot": True,
}


def plan_for(*targets: str, **machine: object):  # type: ignore[no-untyped-def]
    def toml(value: object) -> str:
        return str(value).lower() if isinstance(value, bool) else repr(value).replace("'", '"')

    lines = "".join(f"{key} = {toml(value)}\n" for key, value in machine.items())
    text = f'name = "n"\ntargets = {list(targets)}\n[machine]\n{lines}[[disc]]\nimage = "a"\n'
    return parse_plan(text.encode(), Path())


def check(*targets: str, boots: tuple[BootWay, ...] = (), **machine: object) -> dict[str, Finding]:
    found = list(check_readiness(plan_for(*targets, **(TAME | machine)), [boots]))
    assert len({(one.rule, one.message) for one in found}) == len(found)
    return {one.rule: one for one in found}


def test_a_tame_machine_yields_nothing_for_what_needs_no_drive_letter() -> None:
    assert check("nt4", "nt5", "nt6") == {}


# Limits are those of the Microsoft Knowledge Base articles that each row names, and
# arithmetic: 2^28 sectors of 512 bytes are 137,438,953,472 bytes.
@pytest.mark.parametrize(
    ("target", "key", "most", "rule", "severity"),
    [
        ("win9x", "memory", 512 * MIB, "memory-within-cache-limit", Severity.NOTE),
        ("win9x", "memory", 1024 * MIB, "memory-within-reach", Severity.NOTE),
        ("win9x", "disk", 64 << 30, "disk-size-is-shown-whole", Severity.NOTE),
        ("win9x", "disk", 2**28 * 512, "disk-within-28-bit-addressing", Severity.WARNING),
        ("dos", "disk", 2**28 * 512, "disk-within-28-bit-addressing", Severity.WARNING),
        ("nt4", "disk", 2**28 * 512, "disk-within-28-bit-addressing", Severity.WARNING),
        ("nt5", "disk", 2**28 * 512, "disk-needs-48-bit-support", Severity.WARNING),
        ("dos", "disk", 2 * GB, "volume-within-fat16", Severity.NOTE),
    ],
)
def test_limits_hold_to_the_byte(
    target: str, key: str, most: int, rule: str, severity: Severity
) -> None:
    assert rule not in check(target, **{key: most})
    finding = check(target, **{key: most + 1})[rule]
    assert (finding.severity, finding.target) == (severity, target)
    assert finding.where == f"[machine] {key}"
    assert finding.remedy
    assert "{" not in finding.message
    assert rule not in check("nt6", **{key: most + 1})


@pytest.mark.parametrize(
    ("targets", "machine", "rule"),
    [
        (["nt5"], {"disk_mode": "ahci"}, "disk-controller-has-driver"),
        (["nt5"], {"disk_mode": "raid"}, "disk-controller-has-driver"),
        (["nt4"], {"firmware": "uefi"}, "firmware-starts-target"),
    ],
)
def test_settings_of_the_firmware(
    targets: list[str], machine: dict[str, object], rule: str
) -> None:
    assert rule in check(*targets, **machine)
    assert rule not in check("nt6", **machine)


def test_a_drive_letter_under_dos() -> None:
    rule = "drive-has-letter-under-dos"
    assert check("win9x")[rule].severity is Severity.WARNING
    assert check("dos", boots=PLAIN)[rule].severity is Severity.WARNING
    assert rule not in check("dos", boots=FLOPPY)  # what the floppy loads is asked at its step
    assert rule not in check("nt5", boots=FLOPPY)


def test_a_machine_that_does_not_start_from_the_drive() -> None:
    assert "machine-starts-from-disc" in check("nt5", boots=PLAIN, optical_boot=False)
    assert "machine-starts-from-disc" not in check("nt5", optical_boot=False)
    assert "disc-starts-again" in check("nt6", boots=PLAIN)


def test_what_to_put_on_the_driver_disc_is_said() -> None:
    assert (
        "on the driver disc: the service pack"
        in check("nt5", disk=200 * GB)["disk-needs-48-bit-support"].remedy
    )
    assert "on the driver disc" not in check("dos", disk=200 * GB)["volume-within-fat16"].remedy


def test_several_targets_are_named_in_one_finding() -> None:
    finding = check("dos", "nt6", "win9x", disk=200 * GB)["disk-within-28-bit-addressing"]
    assert finding.target == ""
    assert finding.message.endswith("(dos, win9x)")


def test_what_the_plan_does_not_say_is_one_note() -> None:
    (finding,) = check_readiness(plan_for("nt5", name="PC"), [()])
    assert (finding.rule, finding.severity) == ("machine-is-described", Severity.NOTE)
    assert "does not say disk_mode, disk, firmware" not in finding.message
    for key in ("disk_mode", "disk", "firmware", "optical_boot"):
        assert key in finding.message
    assert "memory" not in finding.message  # nothing that is asked for nt5 depends on it


def test_findings_come_in_the_order_of_acting() -> None:
    found = list(check("win9x", memory=2048 * MIB, disk=200 * GB, firmware="uefi", boots=FLOPPY))
    assert found == [
        "firmware-starts-target",
        "disk-within-28-bit-addressing",
        "disk-size-is-shown-whole",
        "memory-within-cache-limit",
        "memory-within-reach",
        "disc-starts-again",
    ]


def test_rows_name_known_targets_and_sources_and_unpublished_ones_are_notes() -> None:
    for row in readiness_rows():
        assert set(row.targets) <= set(BUILT_IN)
        assert row.source
        assert row.when
        if row.source.startswith(UNPUBLISHED):
            assert row.severity is Severity.NOTE


def boot_rules(position: int, ways: tuple[BootWay, ...], firmware: str) -> list[str]:
    plan = plan_for("nt6", firmware=firmware) if firmware else plan_for("nt6", name="x")
    return [one.rule for one in check_boot(position, ways, plan, "a.iso")]


def test_a_boot_catalog_for_other_firmware() -> None:
    both = (BootWay("no-emulation", "x86"), BootWay("no-emulation", "efi"))
    assert boot_rules(1, PLAIN, "uefi") == ["boot-fits-firmware"]
    assert boot_rules(1, PLAIN, "bios") == []
    assert boot_rules(1, both, "uefi") == boot_rules(1, both, "bios") == []
    assert boot_rules(1, both[1:], "bios") == ["boot-fits-firmware"]
    assert boot_rules(1, PLAIN, "") == []
    assert boot_rules(1, (), "bios") == ["first-disc-boots"]
    assert boot_rules(2, (), "bios") == []

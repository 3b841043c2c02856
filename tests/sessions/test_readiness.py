"""Is the machine ready? Each row fires at its limit and not below it."""

from __future__ import annotations

from pathlib import Path

import pytest

from mediashelf.findings import Finding, Severity
from mediashelf.readability.limits import UNPUBLISHED
from mediashelf.readability.target_files import BUILT_IN
from mediashelf.sessions.discs.conditions import DiscTraits
from mediashelf.sessions.discs.readiness import check_boot, check_readiness, readiness_rows
from mediashelf.sessions.manifests.parts import BootWay
from plan_texts import parse_plan

MIB, GB = 1 << 20, 10**9
FLOPPY = (BootWay("floppy-1.44MB", "x86"),)
PLAIN = (BootWay("no-emulation", "x86"),)

# Everything is said, and nothing of it is a problem for any target.
TAME = {
    "memory": 512 * MIB,
    "processor": "450 MHz",
    "disk": 2 * GB,
    "disk_mode": "ide",
    "firmware": "bios",
    "usb_boot": True,
}


def plan_for(*targets: str, partitions: str = "", **machine: object):  # type: ignore[no-untyped-def]
    def toml(value: object) -> str:
        return str(value).lower() if isinstance(value, bool) else repr(value).replace("'", '"')

    lines = "".join(f"{key} = {toml(value)}\n" for key, value in machine.items())
    text = f'name = "n"\ntargets = {list(targets)}\n[machine]\n{lines}[[disc]]\nimage = "a"\n'
    if partitions:
        text += f'[[step]]\ndo = "Make them"\npartitions = [{partitions}]\n'
    return parse_plan(text.encode(), Path())


def check(
    *targets: str,
    boots: tuple[BootWay, ...] = (),
    only_64_bit: bool = False,
    partitions: str = "",
    **machine: object,
) -> dict[str, Finding]:
    plan = plan_for(*targets, partitions=partitions, **(TAME | machine))
    found = list(check_readiness(plan, [DiscTraits(targets, boots, only_64_bit)]))
    assert len({(one.rule, one.target) for one in found}) == len(found)
    return {one.rule: one for one in found}


def test_a_tame_machine_yields_nothing_but_that_no_disc_starts_the_systems() -> None:
    for target in ("nt4", "nt5", "nt6"):
        assert list(check(target, processor="1 GHz")) == ["system-has-boot-disc"]


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
        ("dos", "disk", 8_455_716_864, "disk-within-int13", Severity.NOTE),
        ("win9x", "disk", 32 << 30, "disk-within-first-release", Severity.WARNING),
        ("nt4", "disk", 7_800_000_000, "start-partition-of-nt4", Severity.WARNING),
        ("nt4", "disk", 4 << 30, "setup-partition-of-nt4", Severity.NOTE),
        ("nt5", "disk", 2**32 * 512, "disk-within-mbr", Severity.WARNING),
        ("nt4", "memory", 4096 * MIB, "memory-within-nt4", Severity.WARNING),
        ("nt5", "memory", 4096 * MIB, "memory-within-32-bit-nt5", Severity.NOTE),
    ],
)
def test_limits_hold_to_the_byte(
    target: str, key: str, most: int, rule: str, severity: Severity
) -> None:
    assert rule not in check(target, **{key: most})
    finding = check(target, **{key: most + 1})[rule]
    assert (finding.severity, finding.target) == (severity, target)
    assert finding.where in (f"[machine] {key}", f"[machine] {key}, firmware")
    assert finding.remedy
    assert "{" not in finding.message
    if rule != "disk-within-mbr":
        assert rule not in check("nt6", **{key: most + 1})


@pytest.mark.parametrize(
    ("target", "least", "rule"),
    [
        ("win9x", 16, "memory-enough-for-later-releases"),
        ("win9x", 32, "memory-enough-for-me"),
        ("nt5", 64, "memory-enough-for-nt5"),
        ("nt6", 512, "memory-enough-for-nt6"),
        ("win9x", 4, "memory-enough-for-first-release"),
        ("nt4", 12, "memory-enough-for-nt4"),
    ],
)
def test_least_memory_holds_to_the_byte(target: str, least: int, rule: str) -> None:
    assert rule not in check(target, memory=least * MIB)
    assert rule in check(target, memory=least * MIB - 1)
    assert rule not in check("dos", memory=least * MIB - 1)


@pytest.mark.parametrize(
    ("processor", "is_too_fast"),
    [("2.1 GHz", False), ("2100MHz", False), ("Model 4, 2.2 GHz", True), ("2101 MHz", True)],
)
def test_a_processor_is_too_fast_from_its_words(processor: str, is_too_fast: bool) -> None:
    """KB 312108: at 2.2 GHz or faster, and not at 2.1 GHz or slower."""
    assert ("processor-within-timing" in check("win9x", processor=processor)) is is_too_fast
    assert "processor-within-timing" not in check("nt5", processor=processor)


@pytest.mark.parametrize(
    ("target", "least", "rule"),
    [
        ("win9x", 66, "processor-enough-for-later-releases"),
        ("nt6", 800, "processor-enough-for-nt6"),
    ],
)
def test_least_speed_holds_to_the_megahertz(target: str, least: int, rule: str) -> None:
    assert rule not in check(target, processor=f"{least} MHz")
    assert rule in check(target, processor=f"{least - 1} MHz")
    assert rule not in check("nt4", processor=f"{least - 1} MHz")


def test_the_first_release_and_some_processors() -> None:
    """KB Q192841 names processors of 350 MHz and more; which, is not for a plan to know."""
    rule = "processor-within-first-release"
    assert rule not in check("win9x", processor="349 MHz")
    assert check("win9x", processor="350 MHz")[rule].severity is Severity.NOTE
    assert rule not in check("nt4", processor="350 MHz")


def test_a_slow_processor_hints_at_firmware_without_lba() -> None:
    """1024 cylinders x 16 heads x 63 sectors x 512 bytes (KB Q122052)."""
    rule, limit = "disk-within-plain-chs", 1024 * 16 * 63 * 512
    assert rule in check("dos", disk=limit + 1, processor="119 MHz")
    assert rule not in check("dos", disk=limit, processor="119 MHz")
    assert rule not in check("dos", disk=limit + 1, processor="120 MHz")
    assert check("dos", disk=limit + 1, processor="66 MHz")[rule].severity is Severity.NOTE


def test_a_64_bit_disc_and_a_32_bit_processor() -> None:
    rule = "disc-is-64-bit-only"
    assert rule in check("nt6", only_64_bit=True, processor_bits=32)
    assert rule not in check("nt6", only_64_bit=True, processor_bits=64)
    assert rule not in check("nt6", processor_bits=32)
    asked = check("nt6", only_64_bit=True)["machine-is-described"]
    assert "processor_bits" in asked.message


def part(system: str, filesystem: str, size: str = "", disk: int = 1) -> str:
    tail = (f', size = "{size}"' if size else "") + (f", disk = {disk}" if disk > 1 else "")
    return f'{{ system = "{system}", filesystem = "{filesystem}"{tail} }},'


@pytest.mark.parametrize(
    ("target", "partitions", "rule"),
    [
        ("dos", part("dos", "FAT16", "2GiB"), ""),
        ("dos", part("dos", "FAT 16", "2147483649"), "planned-volume-within-fat16"),
        ("win9x", part("win9x", "fat16", "3GB"), "planned-volume-within-fat16"),
        ("win9x", part("win9x", "fat32", "8GB"), ""),
        ("win9x", part("win9x", "NTFS", "8GB"), "planned-filesystem-of-win9x"),
        ("dos", part("dos", "fat32", "1GB"), "planned-filesystem-of-dos"),
        ("nt4", part("nt4", "fat-32", "1GB"), "planned-filesystem-of-nt4"),
        ("nt4", part("dos", "fat16", "3800000000") + part("nt4", "ntfs", "4000000000"), ""),
        (
            "nt4",
            part("dos", "fat16", "3800000000") + part("nt4", "ntfs", "4000000001"),
            "planned-end-of-nt4",
        ),
        ("nt4", part("nt4", "ntfs", "4294967297"), "planned-size-of-nt4"),
        ("nt4", part("nt4", "ntfs") + part("nt5", "ntfs", "9GB"), ""),  # nobody said where
    ],
)
def test_the_plans_own_partitions_are_judged(target: str, partitions: str, rule: str) -> None:
    machine = {"disk": 16 * GB, "firmware": "uefi", "processor": "450 MHz"}
    found = check(target, partitions=partitions, boots=FLOPPY, **machine)
    planned = [one for one in found if one.startswith("planned-")]
    assert planned == ([rule] if rule else [])
    # What is known exactly is not guessed from the disk's size as well.
    for guess in ("volume-within-fat16", "start-partition-of-nt4", "setup-partition-of-nt4"):
        assert guess not in found


@pytest.mark.parametrize(
    ("partitions", "is_told"),
    [
        ("", True),
        (part("win9x", "fat16", "2GiB"), False),
        (part("win9x", "fat16", "2147483649"), True),
        (part("win9x", "fat32", "2GB"), True),
        (part("win9x", "fat16"), True),
    ],
)
def test_a_start_partition_for_both_is_no_trap(partitions: str, is_told: bool) -> None:
    found = check("win9x", "nt4", partitions=partitions)
    assert ("shared-start-partition" in found) is is_told


@pytest.mark.parametrize(
    ("partitions", "rules"),
    [
        (part("nt4", "fat16", "2GB") + part("nt4", "ntfs", "2GB"), []),
        (part("nt4", "fat16", "2GB") + part("nt4", "ntfs", "2000000001"), [
            "planned-partitions-fit",
        ]),
        (part("nt4", "fat16", "2GB") + part("nt4", "ntfs", "9GB", disk=2), []),
        (part("dos", "fat16", "3GB") + part("nt4", "ntfs", "4GB", disk=2), []),
        (part("dos", "fat16", "4GB") + part("nt4", "ntfs", "4GB"), [
            "planned-partitions-fit", "planned-end-of-nt4",
        ]),
    ],
)  # fmt: skip
def test_each_disk_has_room_and_ends_of_its_own(partitions: str, rules: list[str]) -> None:
    found = check("nt4", partitions=partitions, boots=FLOPPY, disk=4 * GB)
    assert sorted(one for one in found if one.startswith("planned-")) == sorted(rules)


def test_each_system_has_its_own_boot_disc() -> None:
    plan = plan_for("win9x", "nt4", **TAME)
    traits = [DiscTraits(("win9x",), FLOPPY)]
    found = {one.rule: one.target for one in check_readiness(plan, traits)}
    assert found["system-has-boot-disc"] == "nt4"


def test_systems_beside_each_other() -> None:
    assert "shared-start-partition" in check("win9x", "nt4")
    assert "shared-start-partition" not in check("nt4", "nt5")
    assert "sees-partitions-of-others" in check("win9x", "nt5")
    assert "sees-partitions-of-others" not in check("dos", "win9x")
    assert check("nt5", "win9x")["older-system-first"].target == "win9x"
    assert "older-system-first" not in check("dos", "win9x", "nt4", "nt5", "nt6")


def test_a_trap_is_told_for_each_system() -> None:
    plan = plan_for("dos", "nt6", "win9x", **(TAME | {"disk": 200 * GB}))
    found = [
        one.target
        for one in check_readiness(plan, [DiscTraits(plan.targets)])
        if one.rule == "disk-within-28-bit-addressing"
    ]
    assert found == ["dos", "win9x"]


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
    assert "machine-starts-from-disc" in check("nt5", boots=PLAIN, usb_boot=False)
    assert "machine-starts-from-disc" not in check("nt5", usb_boot=False)
    assert "disc-starts-again" in check("nt6", boots=PLAIN)


def test_what_to_put_on_the_driver_disc_is_said() -> None:
    assert (
        "on the driver disc: the service pack"
        in check("nt5", disk=200 * GB)["disk-needs-48-bit-support"].remedy
    )
    assert "on the driver disc" not in check("dos", disk=200 * GB)["volume-within-fat16"].remedy


def test_what_the_plan_does_not_say_is_one_note() -> None:
    found = list(check_readiness(plan_for("nt5", name="PC"), [DiscTraits(("nt5",), PLAIN)]))
    (finding,) = [one for one in found if one.rule == "machine-is-described"]
    assert (finding.rule, finding.severity) == ("machine-is-described", Severity.NOTE)
    for key in ("disk_mode", "disk", "firmware", "usb_boot"):
        assert key in finding.message
    assert "processor" not in finding.message  # nothing that is asked for nt5 depends on it


def test_what_the_discs_deny_needs_no_answer() -> None:
    _, finding = check_readiness(plan_for("nt5", name="PC"), [DiscTraits(("nt5",))])
    assert "usb_boot" not in finding.message  # no disc of the session boots


def test_findings_come_in_the_order_of_acting() -> None:
    found = list(check("win9x", memory=2048 * MIB, disk=200 * GB, firmware="uefi", boots=FLOPPY))
    assert found == [
        "firmware-starts-target",
        "processor-within-first-release",
        "memory-within-cache-limit",
        "memory-within-reach",
        "disk-within-first-release",
        "disk-within-28-bit-addressing",
        "disk-size-is-shown-whole",
        "copying-with-disk-cache",
        "setup-keeps-its-drive",
        "cd-letter-after-restart",
        "disc-starts-again",
    ]


def test_rows_name_known_targets_and_sources_and_unpublished_ones_are_notes() -> None:
    for row in readiness_rows():
        assert set(row.targets) <= set(BUILT_IN)
        assert row.source
        assert row.when
        if row.source.startswith(UNPUBLISHED):
            assert row.severity is Severity.NOTE


def boot_rules(
    position: int, ways: tuple[BootWay, ...], firmware: str
) -> list[tuple[str, Severity]]:
    plan = plan_for("nt6", firmware=firmware) if firmware else plan_for("nt6", name="x")
    found = check_boot(position, ways, plan, "a.iso")
    return [(one.rule, one.severity) for one in found]


def test_a_boot_catalog_for_other_firmware() -> None:
    both = (BootWay("no-emulation", "x86"), BootWay("no-emulation", "efi"))
    other = [("boot-fits-firmware", Severity.WARNING)]
    assert boot_rules(1, PLAIN, "uefi") == other
    assert boot_rules(1, PLAIN, "bios") == []
    assert boot_rules(1, both, "uefi") == boot_rules(1, both, "bios") == []
    assert boot_rules(1, both[1:], "bios") == other
    assert boot_rules(1, PLAIN, "") == []
    assert boot_rules(1, (), "bios") == [("first-disc-boots", Severity.NOTE)]
    assert boot_rules(2, (), "bios") == []

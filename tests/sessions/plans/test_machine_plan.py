"""What a plan holds of the machine, its parts and steps that are no discs."""

from __future__ import annotations

from pathlib import Path

import pytest

from mediashelf.errors import SessionPlanError
from mediashelf.sessions.plans.machine import MachinePart
from mediashelf.sessions.plans.session_plan import SessionPlan
from mediashelf.sessions.plans.steps import PlannedPartition
from plan_texts import parse_plan

PLAN = """
name = "Four systems"
targets = ["dos", "win9x"]

[machine]
name = "Kiosk PC, 1999"
usb_boot = false
processor = "450 MHz"
settings = ["Boot order: USB first", "PnP OS: no"]
notes = "The key of the licence is on the sticker under the case"

[[machine.part]]
what = "Quillon Audio 16"
where = "third slot"
jumpers = "IRQ 5, DMA 1"
device = "f3d7:1600"

[[step]]
do = "Make the partitions"
partitions = [
    { system = "dos", filesystem = "fat16", size = "500MB" },
    { system = "win9x", filesystem = "fat32", note = "active" },
]

[[step]]
do = "Restart"
system = "win9x"
after = "system.iso"

[[disc]]
image = "system.iso"
[[disc]]
image = "tester.iso"
targets = []
"""


def parse(text: str) -> SessionPlan:
    return parse_plan(text.encode(), Path())


def test_everything_that_a_person_keeps_on_paper() -> None:
    plan = parse(PLAN)
    machine = plan.machine
    assert (machine.usb_boot, machine.processor) == (False, "450 MHz")
    assert machine.settings == ("Boot order: USB first", "PnP OS: no")
    assert machine.parts == (
        MachinePart("Quillon Audio 16", "third slot", "IRQ 5, DMA 1", "f3d7:1600"),
    )
    first, restart = plan.steps
    assert first.partitions == (
        PlannedPartition("dos", "fat16", "500MB", "", 500_000_000),
        PlannedPartition("win9x", "fat32", "the rest", "active"),
    )
    assert (first.position, restart.position, restart.is_before) == (0, 1, False)
    assert plan.systems == ("dos", "win9x")
    assert plan.discs[1].targets == ()


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("usb_boot = false", "optical_boot = true", "the emulator is a USB drive; say usb_boot"),
        ("usb_boot = false", "usb_boot = 1", "[machine]: usb_boot is 1, expected true or false"),
        ('do = "Restart"', "", "[step] 2: do is missing; it says what to do"),
        ('after = "system.iso"', 'after = "systm.iso"', "names no disc; did you mean 'system.iso'"),
        ('after = "system.iso"', 'after = "a"\nbefore = "b"', "says before and after"),
        ('system = "win9x"\nafter', 'system = "win8x"\nafter', "'win8x' is not one of the plan"),
        ('what = "Quillon Audio 16"', "", "[machine], [part] 1: what is missing"),
        ('filesystem = "fat16", ', "", "filesystem is missing"),
    ],
)
def test_mistakes_are_named_with_their_place(old: str, new: str, message: str) -> None:
    assert old in PLAN
    with pytest.raises(SessionPlanError) as caught:
        parse(PLAN.replace(old, new))
    assert message in str(caught.value)


@pytest.mark.parametrize(
    "key", ["AB1CD-2EF3G-HI4JK-5LM6N-OP7QR", "ab1cd-2ef3g-hi4jk-5lm6n-op7qr", "123-4567890"]
)
@pytest.mark.parametrize("place", ["The key of the licence is on the sticker", "Restart"])
def test_product_keys_are_refused_with_a_word_why(key: str, place: str) -> None:
    with pytest.raises(SessionPlanError, match="product key") as caught:
        parse(PLAN.replace(place, f"{place} {key}"))
    assert "say where the key is to be found" in str(caught.value)
    assert key not in str(caught.value)


@pytest.mark.parametrize("text", ["f3d7:1600-AB", "12345-67890", "2026-11-26", "A-B-C-D-E"])
def test_other_texts_with_dashes_are_no_keys(text: str) -> None:
    assert parse(PLAN.replace("PnP OS: no", text)).machine.settings[1] == text

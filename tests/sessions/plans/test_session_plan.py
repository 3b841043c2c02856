"""Session plans: what a person may write, and how a mistake is named."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mediashelf.errors import InputError, SessionPlanError
from mediashelf.sessions.plans.plan_disc import DiscSource, SourceKind
from mediashelf.sessions.plans.session_plan import (
    MAX_DISCS,
    CardWish,
    PlannedMachine,
    SessionPlan,
    load_plan,
)
from mediashelf.tables.bounds import MAX_FILE_SIZE
from plan_texts import parse_plan

WHOLE = """
name = "Tide-table kiosk"
targets = ["win9x"]

[machine]
name = "Kiosk PC, 1999"
memory = "768MB"
disk = "160GB"
disk_mode = "ide"
firmware = "bios"
usb_boot = true
devices = "lspci.txt"

[card]
filesystem = "FAT32"
capacity = "4GB"

[[disc]]
name = "system"
image = "library/system.iso"
purpose = "Install the system"
expect = "A blue screen with white text asks for the language"
or = [{ find = "kiosk system" }, { image = "library/system (attic copy).iso" }]

[[disc]]
recipe = "driver-disc.toml"
purpose = "Drivers"
targets = ["dos", "win9x"]
after = "system"
"""


def parse(text: str) -> SessionPlan:
    return parse_plan(text.encode(), Path("/plans"))


def with_discs(*tables: str) -> SessionPlan:
    return parse('name = "n"\ntargets = ["dos"]\n' + "".join(f"[[disc]]\n{t}\n" for t in tables))


def test_every_key_is_understood() -> None:
    plan = parse(WHOLE)
    assert plan.name == "Tide-table kiosk"
    assert plan.machine == PlannedMachine(
        "Kiosk PC, 1999",
        768 * 1024 * 1024,
        160_000_000_000,
        "ide",
        "bios",
        usb_boot=True,
        devices=(Path("/plans/lspci.txt"),),
    )
    assert plan.card == CardWish("fat32", 4_000_000_000)
    assert plan.folder == Path("/plans")
    assert plan.targets == ("win9x", "dos")
    system, drivers = plan.discs
    assert system.source == DiscSource(SourceKind.IMAGE, "library/system.iso")
    assert system.targets == ("win9x",)
    assert system.expect.startswith("A blue screen")
    assert [str(source) for source in system.alternatives] == [
        "find 'kiosk system'",
        "image 'library/system (attic copy).iso'",
    ]
    assert drivers.targets == ("dos", "win9x")
    assert drivers.after == ("system",)


def test_the_example_plan_is_understood() -> None:
    data = files("mediashelf.demo").joinpath("data", "session.toml").read_bytes()
    assert parse_plan(data, Path()).machine.name == "Kiosk PC, 1999"


def test_a_byte_order_mark_is_no_obstacle() -> None:
    assert parse_plan(b"\xef\xbb\xbf" + WHOLE.encode(), Path()) == parse_plan(
        WHOLE.encode(), Path()
    )


def test_order_of_use_is_the_plans_order_unless_a_disc_waits() -> None:
    plan = with_discs(
        'image = "a"', 'image = "b"\nafter = ["c", "d"]', 'image = "c"', 'image = "d"'
    )
    assert [disc.source.text for disc in plan.discs] == ["a", "c", "d", "b"]
    assert [disc.number for disc in plan.discs] == [1, 3, 4, 2]
    assert [disc.position for disc in plan.discs] == [1, 2, 3, 4]
    assert [disc.after_positions for disc in plan.discs] == [(), (), (), (2, 3)]


@pytest.mark.parametrize("start", [1, 2, "none", "last"])
def test_the_drive_may_present_any_disc_at_the_start(start: int | str) -> None:
    top = f"start = {start!r}\n"
    assert parse(f"{top}{WHOLE}").start == start


@pytest.mark.parametrize("start", ["0", "3", "-1", "true", "1.0", "'first'"])
def test_a_start_that_is_no_disc_is_refused(start: str) -> None:
    message = "start .*none, last, or the position of a disc from 1 to 2"
    with pytest.raises(SessionPlanError, match=message):
        parse(f"start = {start}\n{WHOLE}")


def test_a_disc_that_is_named_twice_is_waited_for_once() -> None:
    plan = with_discs('image = "a"\nname = "first"', 'image = "b"\nafter = ["first", "a", "a"]')
    assert plan.discs[1].after_positions == (1,)


@pytest.mark.parametrize(
    ("tables", "message"),
    [
        (
            ('image = "a"\nafter = "b"', 'image = "b"\nafter = "a"', 'image = "c"'),
            "discs wait for each other: disc 1 after b; disc 2 after a;",
        ),
        (('image = "a"\nafter = "a"',), "discs wait for each other: disc 1 after a;"),
        (
            ('image = "a"\nafter = "drivrs.toml"', 'recipe = "drivers.toml"'),
            "disc 1: after 'drivrs.toml' names no disc; did you mean 'drivers.toml'?",
        ),
        (
            ('image = "a"', 'image = "b"\nafter = "a"', 'image = "a"'),
            "disc 2: after 'a' names 2 discs; give one of them a name",
        ),
    ],
)
def test_contradictions_in_the_order_are_named(tables: tuple[str, ...], message: str) -> None:
    with pytest.raises(SessionPlanError) as caught:
        with_discs(*tables)
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('targets = ["win9x"]', "targts = ['win9x']", "unknown key 'targts'; did"),
        ("filesystem", "file_system", "[card]: unknown key 'file_system'; did you mean 'filesys"),
        ("memory", "memroy", "[machine]: unknown key 'memroy'; did you mean 'memory'?"),
        ("expect", "except", "[disc] 1: unknown key 'except'; did you mean 'expect'?"),
        ("recipe =", "receipe =", "[disc] 2: unknown key 'receipe'; did you mean 'recipe'?"),
        (
            "recipe =",
            "zzz =",
            "[disc] 2: unknown key 'zzz'; known here: after, erases, expect",
        ),
        ("{ find", "{ fnid", "[disc] 1, [or] 1: unknown key 'fnid'; did you mean 'find'?"),
        (
            "recipe =",
            'find = "x"\nrecipe =',
            "[disc] 2: says recipe and find, expected",
        ),
        (
            'recipe = "driver-disc.toml"',
            "",
            "says none of them, expected exactly one",
        ),
        ('"Tide-table kiosk"', "7", "name is 7, expected text"),
        ('"Tide-table kiosk"', '"  "', "name is empty; it is the title of the run sheet"),
        ('name = "Tide-table kiosk"', "", "name is missing; it is the title"),
        ('["dos", "win9x"]', "[1]", "[disc] 2: targets is [1], expected a list of targets"),
        ('"768MB"', '"a lot"', "[machine]: memory is 'a lot', expected a size such as"),
        ('"768MB"', "0", "[machine]: memory is 0, expected a size"),
        ('"768MB"', "true", "[machine]: memory is true, expected a size"),
        ('"ide"', '"sata"', "[machine]: disk_mode is 'sata', expected one of ide, ahci, raid"),
        ('"bios"', '"boos"', "expected one of bios, uefi; did you mean 'bios'?"),
        ("= true", '= "yes"', "[machine]: usb_boot is 'yes', expected true or false"),
        ("[card]", "[[card]]", "card is"),
        ("[[disc]]\nrecipe", "[disc2]\nrecipe", "unknown key 'disc2'; did you mean 'd"),
        ("[[disc]]", "[disc]", "is not TOML"),
    ],
)
def test_a_mistake_is_named_with_its_place(old: str, new: str, message: str) -> None:
    assert old in WHOLE
    with pytest.raises(SessionPlanError) as caught:
        parse(WHOLE.replace(old, new))
    assert message in str(caught.value)


def test_a_disc_without_targets_is_refused() -> None:
    with pytest.raises(SessionPlanError, match=r"\[disc\] 1: image 'a' has no targets"):
        parse('name = "n"\n[[disc]]\nimage = "a"')


def test_a_plan_needs_a_disc_and_not_too_many() -> None:
    with pytest.raises(SessionPlanError, match="names no disc"):
        with_discs()
    assert len(with_discs(*[f'image = "{n}"' for n in range(MAX_DISCS)]).discs) == MAX_DISCS
    with pytest.raises(SessionPlanError, match="names 100 discs"):
        with_discs(*[f'image = "{n}"' for n in range(MAX_DISCS + 1)])


def test_files_that_are_no_plans(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="does not exist"):
        load_plan(tmp_path / "none.toml")
    with pytest.raises(InputError, match="is not a regular file"):
        load_plan(tmp_path)
    binary = tmp_path / "image.iso"
    binary.write_bytes(bytes(range(256)) * 8)
    with pytest.raises(
        SessionPlanError, match=r"image\.iso: line 2: byte 0x80 at offset 128 is not UTF-8"
    ):
        load_plan(binary)
    binary.write_bytes(b"#" * (MAX_FILE_SIZE + 1))
    with pytest.raises(SessionPlanError, match="is larger than"):
        load_plan(binary)
    binary.write_text("x = " + "[" * 20_000)
    with pytest.raises(SessionPlanError):
        load_plan(binary)


@settings(derandomize=True, deadline=None, max_examples=150)
@given(st.lists(st.sampled_from(WHOLE.splitlines()), max_size=30))
def test_shuffled_lines_never_crash(lines: list[str]) -> None:
    try:
        parse("\n".join(lines))
    except SessionPlanError as error:
        assert str(error)

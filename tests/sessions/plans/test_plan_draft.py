"""Drafts of plans: whatever the images are called, the text is a plan that names them."""

from __future__ import annotations

import os
import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mediashelf.errors import InputError
from mediashelf.sessions.manifests.parts import BootWay
from mediashelf.sessions.plans.draft import DraftDisc, draft_plan
from mediashelf.sessions.plans.session_plan import MAX_DISCS
from plan_texts import parse_plan

BOOTS = (BootWay("floppy-1.44MB", "x86"),)
FOLDER = Path("/plans")


def draft(*discs: DraftDisc, name: str = "Kiosk") -> str:
    return draft_plan(discs, FOLDER, name=name, machine="PC", targets=["win9x"])


def test_discs_that_boot_come_first_and_paths_start_from_the_plan() -> None:
    text = draft(
        DraftDisc(Path("/plans/library/a.iso"), "A", 2048),
        DraftDisc(Path("/shelf/b.iso"), "B", 4096, BOOTS),
    )
    plan = parse_plan(text.encode(), FOLDER)
    assert [disc.source.text for disc in plan.discs] == ["../shelf/b.iso", "library/a.iso"]
    assert plan.targets == ("win9x",)
    assert "# B, 4.0 KiB, boots: floppy-1.44MB" in text


def test_what_cannot_be_used_is_there_as_a_comment() -> None:
    text = draft(
        DraftDisc(Path("/plans/a.iso"), "A", 2048),
        DraftDisc(Path("/plans/raw.bin"), "", 2352, problem="raw sectors"),
        DraftDisc(Path("/plans") / os.fsdecode(b"caf\xe9.iso"), "", 2048),
    )
    assert [disc.source.text for disc in parse_plan(text.encode(), FOLDER).discs] == ["a.iso"]
    assert "# left out: raw sectors\n# raw.bin" in text
    assert "# left out: its name is not valid UTF-8" in text


def test_a_draft_of_nothing_shows_how_to_go_on() -> None:
    assert '# image = "system.iso"' in draft()
    tomllib.loads(draft())


def test_what_a_draft_shows_as_a_comment_is_what_a_plan_takes() -> None:
    """A person takes the marks away from what they need, and reads no other guide."""
    first = DraftDisc(Path("/plans/a.iso"), "A", 2048, BOOTS, must_pad=True)
    text = draft(first, DraftDisc(Path("/plans/b.cue"), "B", 2048, is_raw=True))
    assert parse_plan(text.encode(), FOLDER).machine.name == "PC"
    taken = re.sub(r"^# (\w+ = )", r"\1", text, flags=re.M)
    plan = parse_plan(taken.encode(), FOLDER)
    machine, disc, other = plan.machine, *plan.discs
    assert (machine.memory, machine.disk, machine.disk_mode) == (256 << 20, 40_000_000_000, "ide")
    assert (machine.firmware, machine.usb_boot) == ("bios", True)
    assert (machine.processor, machine.processor_bits) == ("450 MHz", 32)
    assert (machine.settings, plan.card.filesystem) == ((), "fat32")
    assert plan.card.capacity == 4_000_000_000
    assert (disc.pad, disc.erases, disc.expect, disc.after) == (True, False, "", ())
    assert not other.pad
    assert machine.devices == (FOLDER / "lspci.txt",)
    assert "# raw: its data track is converted" in text
    tables = {
        "[[machine.part]]": ("what", "where", "jumpers", "device"),
        "[[step]]": ("do", "system", "before", "after", "partitions"),
        "[drive]": ("vendor", "product"),
    }
    for table, named in tables.items():
        shown = text.partition(f"# {table} ")[2].partition("\n# [")[0].partition("\n\n")[0]
        assert all(re.search(rf"\b{key}\b", shown) for key in named), table


def test_no_more_discs_than_a_plan_takes() -> None:
    discs = [DraftDisc(Path(f"/plans/{n:03}.iso"), "", 1) for n in range(MAX_DISCS + 2)]
    text = draft(*discs)
    assert len(parse_plan(text.encode(), FOLDER).discs) == MAX_DISCS
    assert text.count("left out: a plan has at most 99 discs") == 2


names = st.text(st.characters(exclude_characters="/\0"), min_size=1, max_size=20).filter(
    # Windows does not keep a blank or dot at the end, and takes what is before a colon for a drive.
    lambda name: (
        name not in (".", "..")
        and (os.name != "nt" or (name.rstrip(" .") == name and not set(name) & set("\\:")))
    )
)


def is_surrogate(character: str) -> bool:
    return "\ud800" <= character <= "\udfff"


@pytest.mark.parametrize("names", [("PC\udce9", "PC"), ("PC", "PC\udce9")])
def test_a_name_that_is_not_text_is_refused(names: tuple[str, str]) -> None:
    """What the command line gives in other bytes than UTF-8."""
    name, machine = names
    with pytest.raises(InputError, match=r"the name PC\\udce9 is not valid UTF-8"):
        draft_plan([], FOLDER, name=name, machine=machine, targets=["dos"])


@settings(derandomize=True, deadline=None)
@given(
    st.lists(st.tuples(names, st.text(max_size=20)), max_size=6, unique_by=lambda p: p[0]), names
)
def test_any_name_comes_back_or_is_left_out(pairs: list[tuple[str, str]], title: str) -> None:
    discs = [DraftDisc(FOLDER / name, label, 2048) for name, label in pairs]
    if any(map(is_surrogate, title)):
        title = "".join("?" if is_surrogate(one) else one for one in title)
    text = draft_plan(discs, FOLDER, name="x" + title.strip(), machine=title, targets=["dos"])
    document = tomllib.loads(text)
    found = {disc["image"] for disc in document.get("disc", [])}
    wanted = {name for name, _ in pairs if not any(map(is_surrogate, name))}
    assert found == wanted

"""A real kernel serves a prepared card, and its own CD-ROM driver reads the discs back.

The guest reads nothing of ours but the card and its manifest (``serve.py``). What
the host's driver sees is compared with what our reader says.
"""

from __future__ import annotations

import errno
import hashlib
import json
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import pytsk3
from click.testing import CliRunner

from make_image import make_iso
from mediashelf.cli.main import main
from mediashelf.demo.scenario import make_scenario, restore_slides
from mediashelf.formats.volume import VolumeFacts, VolumeKind
from mediashelf.image import open_image
from mediashelf.sessions.emulator import MAX_SIZE, REFUSED_TOO_SMALL

pytestmark = pytest.mark.kernel

HERE = Path(__file__).parent


SMALL = {"CHARTS.TXT": b"Corrected chart list\r\n", "MOORINGS/EAST QUAY.TXT": b"East"}

# Discs that the kernel could not serve as they are: raw sectors, and too few blocks.
MORE_DISCS = """
[[disc]]
image = "library/harbour-sounds.cue"
purpose = "Converted on the way to the card"

[[disc]]
image = "library/charts.iso"
pad = true
purpose = "Filled up to 300 blocks"

[[disc]]
floppy = "originals/boot.img"
purpose = "A boot floppy as a disc"
erases = true

[[disc]]
image = "library/hybrid.iso"
presentation = "disk"
purpose = "A hybrid image as a USB disk"
"""


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("kernel") / "kiosk"
    scenario = make_scenario(folder)
    restore_slides(scenario)
    small = make_iso(SMALL, label="CHARTS", joliet=3).data
    (scenario.library / "charts.iso").write_bytes(small)
    hybrid = bytearray(make_iso({"BIG.BIN": bytes(700_000)}, label="HYBRID").data)
    hybrid[446:462] = struct.pack("<B3xB3xII", 0x80, 0x17, 0, len(hybrid) // 512)
    hybrid[510:512] = b"\x55\xaa"
    (scenario.library / "hybrid.iso").write_bytes(hybrid)
    plan = folder / "session.toml"
    names = '[drive]\nvendor = "TIDE"\nproduct = "HARBOUR DISCS"\n\n[card]'
    plan.write_text(plan.read_text("utf-8").replace("[card]", names, 1) + MORE_DISCS, "utf-8")
    result = CliRunner().invoke(
        main,
        [
            *("prepare", str(folder / "session.toml"), "--to", str(scenario.card)),
            *("--catalogue", str(folder / "catalogue.sqlite")),
        ],
    )
    assert result.exit_code == 0, result.output
    return scenario.card


@pytest.fixture(scope="module")
def seen(card: Path, boot: Callable[..., str]) -> list[dict[str, Any]]:
    """Every result that the guest printed, in order."""
    printed = boot("guest.py", card, seconds=900)
    lines = [line.partition("RESULT ")[2] for line in printed.splitlines()]
    results = [json.loads(line) for line in lines if line]
    assert results and results[-1]["kind"] == "end", printed[-4000:]
    return results


def of_kind(seen: list[dict[str, Any]], kind: str) -> list[dict[str, Any]]:
    return [result for result in seen if result["kind"] == kind]


def listing(volume: VolumeFacts | None, *, recorded: bool) -> list[list[Any]]:
    """Paths with sizes, -1 for directories; with ``recorded`` files keep version and dot."""
    assert volume is not None
    found = []
    for entry in volume.entries:
        parent = "" if entry.parent == "/" else entry.parent
        path = f"{parent}/{entry.identifier}" if recorded else entry.path
        found.append([path, -1 if entry.is_directory else entry.size])
    return sorted(found)


def test_every_disc_is_read_back_as_it_is_described(card: Path, seen: list[dict[str, Any]]) -> None:
    manifest = json.loads((card / "manifest.json").read_text("utf-8"))
    discs = of_kind(seen, "disc")
    assert [disc["position"] for disc in discs] == [1, 2, 3, 4, 5, 6]
    optical = [one for one in manifest["discs"] if one["presentation"] == "optical"]
    for disc, described in zip(discs, optical, strict=True):
        assert disc["size"] == described["served_blocks"] * described["block_size"]
        assert disc["sha256"] == described["digests"]["sha256"]
        with open_image(card / described["path"]) as image:
            joliet = image.facts.volume(VolumeKind.JOLIET)
            primary = image.facts.volume(VolumeKind.ISO9660)
        assert disc["joliet"] == listing(joliet, recorded=False)
        assert disc["primary"] == listing(primary, recorded=True)


def test_converted_and_padded_images_are_served_whole(
    card: Path, seen: list[dict[str, Any]]
) -> None:
    manifest = json.loads((card / "manifest.json").read_text("utf-8"))
    sounds, charts = manifest["discs"][3:5]
    assert (sounds["origin"]["how"], sounds["origin"]["padding"]) == ("converted", 0)
    assert charts["origin"]["padding"] > 0
    served = {disc["position"]: disc for disc in of_kind(seen, "disc")}
    # The raw file's sectors hold what the host reads, one scratched sector put right.
    whole = card.parent / "originals" / "sounds.iso"
    assert served[4]["sha256"] == hashlib.sha256(whole.read_bytes()).hexdigest()
    assert served[5]["size"] == 300 * 2048
    small = (card.parent / "library" / "charts.iso").read_bytes()
    padded = small + bytes(300 * 2048 - len(small))
    assert served[5]["sha256"] == hashlib.sha256(padded).hexdigest()
    assert ["/CHARTS.TXT", len(SMALL["CHARTS.TXT"])] in served[5]["joliet"]


def test_the_card_is_fat32_and_holds_what_prepare_wrote(
    card: Path, seen: list[dict[str, Any]]
) -> None:
    """The Sleuth Kit, which shares no code with us or the kernel, reads the card afterwards."""
    assert seen
    volume = pytsk3.FS_Info(pytsk3.Img_Info(str(card.parent / "fat32.img")))
    assert volume.info.ftype == pytsk3.TSK_FS_TYPE_FAT32
    found = {}
    for entry in volume.open_dir("/"):
        if entry.info.meta is not None and entry.info.meta.type == pytsk3.TSK_FS_META_TYPE_REG:
            size = entry.info.meta.size
            found[entry.info.name.name.decode()] = entry.read_random(0, size) if size else b""
    written = {path.name: path.read_bytes() for path in card.iterdir()}
    assert found.pop("last-disc.txt").decode().split()[0].isdecimal()
    assert {name: found[name] for name in written} == written
    assert set(found) - set(written) <= {"$MBR", "$FAT1", "$FAT2"}


def test_the_host_calls_the_drive_as_the_plan_does(seen: list[dict[str, Any]]) -> None:
    (names,) = of_kind(seen, "names")
    assert (names["vendor"].strip(), names["model"].strip()) == ("TIDE", "HARBOUR DISCS")
    assert names["rev"].strip() == "1"


def test_a_boot_floppy_is_served_as_a_disc(card: Path, seen: list[dict[str, Any]]) -> None:
    floppy = (card.parent / "originals" / "boot.img").read_bytes()
    described = json.loads((card / "manifest.json").read_text("utf-8"))["discs"][5]
    with open_image(card / described["path"]) as image:
        assert image.facts.boot is not None
        start = image.facts.boot.entries[0].load_lba * 2048
    assert (card / described["path"]).read_bytes()[start : start + len(floppy)] == floppy
    (disc,) = (one for one in of_kind(seen, "disc") if one["position"] == 6)
    assert disc["sha256"] == described["digests"]["sha256"]


def test_a_hybrid_image_is_a_read_only_disk(card: Path, seen: list[dict[str, Any]]) -> None:
    described = json.loads((card / "manifest.json").read_text("utf-8"))["discs"][6]
    (disk,) = of_kind(seen, "disk")
    assert disk["position"] == described["position"] == 7
    assert disk["size"] == described["served_blocks"] * described["block_size"]
    assert disk["sha256"] == described["digests"]["sha256"]
    assert (disk["read_only"], disk["block_size"]) == ("1", str(described["block_size"]))


def test_after_a_power_cycle_no_installer_comes_back(seen: list[dict[str, Any]]) -> None:
    cycles = of_kind(seen, "cycle")
    assert [one["erases"] for one in cycles] == [True, False, False, False, False, True]
    for one in cycles:
        assert bool(one["file"]) is not one["erases"]
        assert (one["size"] > 0) is not one["erases"]


def test_a_host_notices_a_swap_within_about_a_second(seen: list[dict[str, Any]]) -> None:
    # Twice and more of what the manifest's description promises: the machine is emulated.
    assert all(disc["noticed"] < 4 for disc in of_kind(seen, "disc"))


def test_a_disc_that_is_let_go_can_be_taken_out(seen: list[dict[str, Any]]) -> None:
    (change,) = of_kind(seen, "change")
    assert change["mounted"] == errno.EBUSY
    assert change["nothing"] in (0, errno.EFAULT)  # a write of no bytes takes nothing out
    assert change["still_there"]
    assert change["eject"] == 0
    assert change["open"] == errno.ENOMEDIUM
    assert change["file"].strip() == ""


def test_a_locked_door_refuses_eject_but_not_force(seen: list[dict[str, Any]]) -> None:
    (lock,) = of_kind(seen, "lock")
    assert lock["eject"] == errno.EBUSY
    assert lock["present"] == errno.EBUSY
    assert lock["forced_eject"] == 0
    assert lock["file"].strip() == ""


def test_the_two_size_limits_are_the_kernels(seen: list[dict[str, Any]]) -> None:
    limits = {limit["name"]: limit for limit in of_kind(seen, "limit")}
    assert limits["short"]["errno"] == REFUSED_TOO_SMALL
    assert (limits["least"]["errno"], limits["least"]["seen"]) == (0, 614_400)
    assert limits["long"]["errno"] == 0
    assert limits["long"]["seen"] == MAX_SIZE < limits["long"]["size"]


def test_settings_cannot_change_under_a_disc(seen: list[dict[str, Any]]) -> None:
    (busy,) = of_kind(seen, "busy")
    assert busy["ro"] == errno.EBUSY


def test_the_example_emulator_stays_small() -> None:
    lines = (HERE / "serve.py").read_text("utf-8").splitlines()
    assert len(lines) <= 60

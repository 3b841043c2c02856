"""A real kernel serves a prepared card, and its own CD-ROM driver reads the discs back.

The guest reads nothing of ours but the card and its manifest (``serve.py``). What
the host's driver sees is compared with what our reader says.
"""

from __future__ import annotations

import errno
import json
import subprocess
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from mediashelf.cli.main import main
from mediashelf.demo.scenario import make_scenario, restore_slides
from mediashelf.formats.volume import VolumeFacts, VolumeKind
from mediashelf.image import open_image
from mediashelf.sessions.emulator import MAX_SIZE, REFUSED_TOO_SMALL

import virtual_machine

pytestmark = pytest.mark.kernel

HERE = Path(__file__).parent
GUEST_FILES = [HERE / "serve.py", HERE / "guest.py"]


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("kernel") / "kiosk"
    scenario = make_scenario(folder)
    restore_slides(scenario)
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
def seen(card: Path, tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    """Every result that the guest printed, in order."""
    missing = virtual_machine.missing_programs()
    if missing:
        pytest.skip(f"not on this machine: {', '.join(missing)}")
    work = tmp_path_factory.mktemp("machine")
    try:
        virtual_machine.download(work)
    except (OSError, subprocess.SubprocessError) as error:
        pytest.skip(f"the packages cannot be had: {error}")
    kernel, initial = virtual_machine.make_initial_system(work, GUEST_FILES)
    image = work / "card.img"
    virtual_machine.make_card_image(card, image)
    printed = virtual_machine.run(kernel, initial, image, seconds=200)
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
    assert [disc["position"] for disc in discs] == [1, 2, 3]
    for disc, described in zip(discs, manifest["discs"], strict=True):
        assert disc["size"] == described["blocks"] * 2048
        assert disc["sha256"] == described["digests"]["sha256"]
        with open_image(card / described["path"]) as image:
            joliet = image.facts.volume(VolumeKind.JOLIET)
            primary = image.facts.volume(VolumeKind.ISO9660)
        assert disc["joliet"] == listing(joliet, recorded=False)
        assert disc["primary"] == listing(primary, recorded=True)


def test_a_locked_door_refuses_eject_but_not_force(seen: list[dict[str, Any]]) -> None:
    (lock,) = of_kind(seen, "lock")
    assert lock["eject"] == errno.EBUSY
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

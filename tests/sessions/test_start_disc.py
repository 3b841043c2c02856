"""What the drive presents when the board starts, as the example emulator understands it."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from mediashelf.findings import Severity
from mediashelf.sessions.cards.confirm import check_card
from mediashelf.sessions.manifests.manifest import read_manifest, render_manifest
from mediashelf.sessions.manifests.values import Manifest
from session_bench import make_bench
from session_samples import make_card, sample_manifest

SERVE = Path(__file__).parents[1] / "kernel" / "serve.py"


def first_disc(card: Path) -> int | None:
    """The position that ``serve.py`` presents at the start, None for an empty drive."""
    spec = importlib.util.spec_from_file_location("serve_example", SERVE)
    assert spec is not None and spec.loader is not None
    module: Any = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    disc = module.Drive(card / "manifest.json").first_disc()
    return disc["position"] if disc else None


def write(card: Path, manifest: Manifest) -> None:
    (card / "manifest.json").write_bytes(render_manifest(manifest))


@pytest.mark.parametrize(
    ("start", "last", "expected"),
    [
        ("last", None, 1),  # the very first time, an installer is what the person wants
        ("last", "1 K7C\n", None),  # used once: it erases, and must not come back by itself
        ("last", "2 M2A\n", 2),  # drivers erase nothing
        ("last", "3 K7C\n", None),
        ("last", "2 K7C\n", None),  # of another session
        ("last", "", None),
        ("none", None, None),
        ("none", "2 M2A\n", None),
        (2, None, 2),
        (2, "1 K7C\n", 2),
    ],
)
def test_the_first_disc(tmp_path: Path, start: Any, last: str | None, expected: int | None) -> None:
    write(tmp_path, replace(sample_manifest(), start=start))
    if last is not None:
        (tmp_path / "last-disc.txt").write_text(last)
    assert first_disc(tmp_path) == expected


def test_what_the_kernel_refuses_or_cuts_is_not_presented_unasked(tmp_path: Path) -> None:
    manifest = sample_manifest()
    large = 1_152_000 * 2048
    disc = replace(manifest.discs[1], position=1, after=(), size=large)
    disc = replace(disc, served_blocks=1_151_999, servable=False)
    write(tmp_path, replace(manifest, discs=(disc,)))
    assert first_disc(tmp_path) is None


def test_the_file_of_the_last_disc_is_no_surprise_on_a_card(tmp_path: Path) -> None:
    card = make_card(tmp_path)
    before = [one.rule for one in check_card(read_manifest(card / "manifest.json"), card)]
    (card / "last-disc.txt").write_text("1 K7C\n")
    assert [one.rule for one in check_card(read_manifest(card / "manifest.json"), card)] == before


def test_the_plan_says_what_erases_and_what_starts(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    system = 'image = "library/system.iso"\nerases = false'
    bench.write_plan(system, 'image = "library/slides.iso"\nerases = true', top="start = 2")
    prepared = bench.prepare()
    assert (prepared.manifest.start, first_disc(bench.card)) == (2, 2)
    assert [disc.erases for disc in prepared.manifest.discs] == [False, True]
    (finding,) = [one for one in prepared.session.findings if one.rule == "start-erases-nothing"]
    assert "disc 2" in finding.message
    assert finding.severity is Severity.WARNING


def test_a_memory_tester_is_for_no_system(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    bench.write_plan('image = "library/slides.iso"\ntargets = []', 'image = "library/system.iso"')
    tester, system = bench.prepare().manifest.discs
    assert (tester.targets, system.targets) == ((), ("win9x",))
    assert json.loads((bench.card / "manifest.json").read_text())["discs"][0]["targets"] == []

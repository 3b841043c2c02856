"""A sample of what ``benchmarks/damage.py`` does to every byte: no crash, and digests miss none.

Own behaviour.
"""

from __future__ import annotations

import random
import signal
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest

from damage_trials import (
    FILES,
    LARGEST_MEMORY,
    LONGEST_SECONDS,
    FlipTrial,
    Seen,
    at_most,
    look_at_file,
    mutate,
    small_disc,
    udf_disc,
)
from make_image import MadeImage

pytestmark = pytest.mark.skipif(
    not hasattr(signal, "SIGALRM"), reason="this system has no alarm that interrupts what hangs"
)

Make = Callable[[], MadeImage]
DISCS = pytest.mark.parametrize("make", [small_disc, udf_disc])

# What a change is seen by at least, in this sample; the rest are bytes that nothing depends on.
FLOORS = {
    "path tables": ("structure", 1.0),
    "directories": ("structure", 0.95),
    "boot catalog": ("structure", 0.85),
    "UDF records": ("structure", 0.9),
    "descriptors": ("structure", 0.45),
    "files: cabinet": ("contents", 0.95),
    "files: ZIP": ("contents", 0.95),
    "files: gzip": ("contents", 0.95),
    "files: RAR": ("contents", 0.95),
    "files: programs": ("contents", 0.5),
}


@DISCS
def test_changed_bytes_are_seen_where_something_depends_on_them(make: Make) -> None:
    trial, dice = FlipTrial(make()), random.Random(11)
    everywhere = dice.sample(range(len(trial.made.data)), 500)
    structures = dice.sample(trial.regions.places_of_structures(len(trial.made.data)), 500)
    for at in everywhere + structures:
        trial.flip(at, dice.randrange(1, 256))
    assert sum(each.changes for each in trial.seen.values()) == 1000
    for region, seen in trial.seen.items():
        assert seen.structure <= seen.contents <= seen.digests == seen.changes, region
        depth, floor = FLOORS.get(region, ("structure", 0.0))
        if seen.changes >= 20:
            assert getattr(seen, depth) >= floor * seen.changes, (region, seen)
    assert trial.slowest < LONGEST_SECONDS


def test_the_sound_discs_are_sound_and_their_parts_known(tmp_path: Path) -> None:
    for make in (small_disc, udf_disc):
        made = make()
        reading, _ = look_at_file(tmp_path / "disc.iso", made.data)
        assert (reading.findings, reading.inside, reading.problem) == ((), (), "")
        regions = FlipTrial(made).regions
        assert regions.of(0) == "system area"
        assert regions.of(made.field("primary", "root_record")) == "descriptors"
        assert regions.of(made.record("/DRIVERS")) == "directories"
        for path, data in FILES.items():
            if data:
                assert regions.of(made.file(f"/{path}")).startswith("files")
                assert regions.of(made.file(f"/{path}") + len(data) - 1).startswith("files")


@DISCS
def test_mutated_discs_are_read_to_the_end(make: Make, tmp_path: Path) -> None:
    made, seen = make(), 0
    for number in range(100):
        names, data = mutate(made, random.Random(number))
        reading, seconds = look_at_file(tmp_path / "disc.iso", data)
        assert not reading.problem, names
        rules = {finding.rule for finding in (*reading.findings, *reading.inside)}
        assert "structure-understood" not in rules, (number, names)
        assert seconds < LONGEST_SECONDS
        seen += bool(rules)
    assert seen > 70


@DISCS
def test_mutated_discs_take_little_memory(make: Make, tmp_path: Path) -> None:
    made = make()
    tracemalloc.start()
    try:
        for number in range(1000, 1015):
            look_at_file(tmp_path / "disc.iso", mutate(made, random.Random(number))[1])
        assert tracemalloc.get_traced_memory()[1] < LARGEST_MEMORY << 20
    finally:
        tracemalloc.stop()


def test_the_trial_itself_notices_what_hangs() -> None:
    with pytest.raises(TimeoutError), at_most(0.02):
        while True:
            pass


def test_the_trial_itself_notices_what_is_missed(monkeypatch: pytest.MonkeyPatch) -> None:
    trial = FlipTrial(small_disc())
    monkeypatch.setattr("damage_trials.digest_of", lambda data: trial._digest)
    trial.flip(100, 1)
    assert trial.seen["system area"] == Seen(changes=1)

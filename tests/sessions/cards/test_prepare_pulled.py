"""A card that fills up and is pulled at random moments: nothing is lost, the next run completes."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from mediashelf.errors import StagingError
from pulled_cards import (
    ROUNDS,
    Card,
    Fat32Card,
    Puller,
    RenamedCard,
    TmpfsCard,
    check_theirs,
    missing_for,
    open_card,
    put_theirs,
)
from session_bench import make_bench

pytestmark = pytest.mark.skipif(os.name != "posix", reason="forks, and mounts file systems")


@pytest.fixture(params=[RenamedCard, TmpfsCard, Fat32Card], ids=["renamed", "tmpfs", "fat32"])
def puller(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Puller]:
    kind: type[Card] = request.param
    lacks = missing_for(kind)
    if lacks:
        pytest.skip(lacks)
    bench = make_bench(tmp_path)
    try:
        with open_card(kind, bench.card) as card:
            put_theirs(card.folder)
            yield Puller(bench, card, say=lambda line: None)
    except (OSError, subprocess.CalledProcessError) as error:
        pytest.skip(f"this system does not let tests mount a file system: {error}")


def test_pulled_at_random_moments_nothing_of_theirs_is_lost(puller: Puller) -> None:
    puller.measure()
    for number in range(ROUNDS):
        puller.pull_once(number)
    assert puller.stopped_runs >= ROUNDS // 2  # else the pulls came too late to prove anything
    puller.complete()


def test_filled_up_and_tidied_nothing_of_theirs_is_lost(puller: Puller) -> None:
    if isinstance(puller.card, RenamedCard):
        pytest.skip("the disk under a plain folder is too large to fill")
    puller.measure()
    puller.fill_up()
    puller.complete()


def test_nothing_is_written_into_the_folder_that_a_pulled_card_leaves(tmp_path: Path) -> None:
    """A mount point stays when its card goes, and is on the system's own disk."""
    bench = make_bench(tmp_path)
    card = RenamedCard(bench.card)
    put_theirs(bench.card)
    size, done = bench.system.stat().st_size, 0

    def pull(count: int) -> None:
        nonlocal done
        done += count
        if done == 2 * size:  # the first image is copied and read back, and about to get its name
            card.pull()

    with pytest.raises(StagingError, match="the card was taken out, and another folder is in its"):
        bench.prepare(on_bytes=pull)
    assert list(bench.card.iterdir()) == []
    card.plug()
    assert bench.images_on_card() == []
    bench.prepare()
    check_theirs(bench.card)
    assert len(bench.images_on_card()) == 3

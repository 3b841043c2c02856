"""Mending any damage at all: what is proved is the original, and what can be is proved."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from mediashelf.integrity.mending.values import MendOutcome
from mending_bench import BLOCK, ORIGINAL, SECTOR, SECTORS, Bench, spoil, zeroed

damage = st.lists(st.tuples(st.integers(0, SECTORS - 1), st.integers(1, 6)), max_size=6).map(
    lambda runs: {
        sector for first, count in runs for sector in range(first, min(first + count, SECTORS))
    }
)
kept_sizes = st.one_of(st.just(len(ORIGINAL)), st.integers(0, len(ORIGINAL)))


@dataclass
class Sick:
    """A file with damage of its own, so that no two files are wrong in the same way."""

    wrong: set[int]
    blank: set[int]
    size: int
    by: int

    @cached_property
    def data(self) -> bytes:
        return zeroed(spoil(ORIGINAL, *self.wrong, by=self.by), *self.blank)[: self.size]

    def sector(self, number: int) -> bytes | None:
        end = min((number + 1) * SECTOR, len(ORIGINAL))
        return self.data[number * SECTOR : end] if self.size >= end else None


def true_sector(number: int) -> bytes:
    return ORIGINAL[number * SECTOR : (number + 1) * SECTOR]


def sick(by: int) -> st.SearchStrategy[Sick]:
    return st.builds(Sick, damage, damage, kept_sizes, st.just(by))


@settings(
    derandomize=True,
    deadline=None,
    max_examples=200,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(st.tuples(sick(1), sick(2), sick(3)))
def test_what_is_proved_is_the_original_and_what_can_be_is(
    tmp_path: Path, files: tuple[Sick, Sick, Sick]
) -> None:
    bench = Bench(tmp_path)
    bench.output.unlink(missing_ok=True)
    result = bench.mend(*(file.data for file in files), record=bench.record(), tries=300)
    held = [{file.sector(number) for file in files} - {None} for number in range(SECTORS)]
    can_be = possible_within = True
    for first in range(0, SECTORS, BLOCK // SECTOR):
        choices = 1
        for number in range(first, min(first + BLOCK // SECTOR, SECTORS)):
            can_be &= true_sector(number) in held[number]
            choices *= max(len(held[number]), 1)
        possible_within &= choices <= 300
    if result.is_written:
        assert result.outcome is MendOutcome.PROVED
        assert bench.equals_original()
        assert can_be
    elif result.outcome is MendOutcome.AS_RECORDED:
        assert files[0].data == ORIGINAL
    else:
        assert result.outcome is MendOutcome.INCOMPLETE
        assert not (can_be and possible_within)


@settings(
    derandomize=True,
    deadline=None,
    max_examples=150,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(st.tuples(damage, damage, damage))
def test_a_vote_is_right_wherever_two_of_three_are(
    tmp_path: Path, wrong: tuple[set[int], set[int], set[int]]
) -> None:
    bench = Bench(tmp_path)
    bench.output.unlink(missing_ok=True)
    files = [spoil(ORIGINAL, *sectors, by=by) for by, sectors in enumerate(wrong, start=1)]
    result = bench.mend(*files, anyway=True)
    first, second, third = wrong
    undecided = (first & second) | (first & third) | (second & third)
    contested = first | second | third
    if first:
        expected = MendOutcome.INCOMPLETE if undecided else MendOutcome.VOTED
    else:
        expected = MendOutcome.INCOMPLETE if undecided else MendOutcome.UNCHANGED
    assert result.outcome is expected
    told = {
        sector
        for part in result.parts
        for sector in range(part.span.first_lba, part.span.last_lba + 1)
    }
    assert contested <= told
    if result.is_written:
        written = bench.output.read_bytes()
        differ = {
            number
            for number in range(SECTORS)
            if written[number * SECTOR : (number + 1) * SECTOR] != true_sector(number)
        }
        assert differ <= undecided

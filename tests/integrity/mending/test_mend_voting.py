"""Mending without a record: two of three have to agree."""

from __future__ import annotations

from mediashelf.findings import Severity
from mediashelf.integrity.mending.mend import mend_image
from mediashelf.integrity.mending.values import How, MendOutcome
from mediashelf.integrity.structure.damage import Span
from mending_bench import ANOTHER, ORIGINAL, SECTOR, Bench, rules, spoil, zeroed


def test_vote_of_three(bench: Bench) -> None:
    image = spoil(ORIGINAL, 3, 4, 100)
    first, second = spoil(ORIGINAL, 5, 150), spoil(ORIGINAL, 60)
    result = bench.mend(image, first, second)
    assert result.outcome is MendOutcome.VOTED
    assert bench.equals_original()
    assert [
        (part.span.first_lba, part.span.last_lba, part.how, part.sources) for part in result.parts
    ] == [
        (3, 4, How.VOTED, (1, 2)),
        (5, 5, How.VOTED, (0, 2)),
        (60, 60, How.VOTED, (0, 1)),
        (100, 100, How.VOTED, (1, 2)),
        (150, 150, How.VOTED, (0, 2)),
    ]
    assert [span.first_lba for span in result.mended_spans] == [3, 100]
    assert rules(result) == {"bytes-proved"}
    assert {finding.severity for finding in result.findings} == {Severity.WARNING}
    assert all("not proved" in finding.message for finding in result.findings)


def test_tie_is_refused(bench: Bench) -> None:
    image, first = spoil(ORIGINAL, 3, by=1), spoil(ORIGINAL, 3, by=2)
    result = bench.mend(image, first, ORIGINAL)
    assert (result.outcome, result.is_written) == (MendOutcome.INCOMPLETE, False)
    assert [(part.span, part.how) for part in result.parts] == [
        (Span(3 * SECTOR, SECTOR), How.UNDECIDED)
    ]
    assert rules(result) == {"bytes-decided"}
    four = bench.mend(image, image, ORIGINAL, ORIGINAL)
    assert four.outcome is MendOutcome.INCOMPLETE
    five = bench.mend(image, image, ORIGINAL, ORIGINAL, ORIGINAL)
    assert five.outcome is MendOutcome.VOTED
    assert bench.equals_original()


def test_two_files_cannot_outvote_each_other(bench: Bench) -> None:
    result = bench.mend(spoil(ORIGINAL, 3), ORIGINAL)
    assert result.outcome is MendOutcome.INCOMPLETE
    best = bench.mend(zeroed(ORIGINAL, 3), spoil(ORIGINAL, 70), anyway=True)
    assert best.outcome is MendOutcome.INCOMPLETE
    assert bench.output.read_bytes() == ORIGINAL  # data before zeros, then the image


def test_equal_files_have_nothing_to_mend(bench: Bench) -> None:
    result = bench.mend(ORIGINAL, ORIGINAL, ORIGINAL)
    assert (result.outcome, result.is_written) == (MendOutcome.UNCHANGED, False)
    assert result.findings == ()
    won = bench.mend(ORIGINAL, spoil(ORIGINAL, 3), ORIGINAL)
    assert (won.outcome, won.is_written) == (MendOutcome.UNCHANGED, False)


def test_zeros_that_win_are_told(bench: Bench) -> None:
    result = bench.mend(zeroed(ORIGINAL, 3), zeroed(ORIGINAL, 3), ORIGINAL)
    assert result.outcome is MendOutcome.UNCHANGED
    assert rules(result) == {"bytes-proved", "data-wins-over-zeros"}


def test_vote_on_size(bench: Bench) -> None:
    padded = ORIGINAL + bytes(3000)
    result = bench.mend(padded, ORIGINAL, ORIGINAL)
    assert result.outcome is MendOutcome.VOTED
    assert bench.equals_original()
    bench.output.unlink()
    short = ORIGINAL[: 90 * SECTOR + 100]
    result = bench.mend(short, ORIGINAL, ORIGINAL)
    assert result.outcome is MendOutcome.VOTED
    assert bench.equals_original()
    bench.output.unlink()
    result = bench.mend(short, padded, ORIGINAL)
    assert result.outcome is MendOutcome.INCOMPLETE
    assert "size-decided" in rules(result)


def test_a_cut_sector_has_no_voice(bench: Bench) -> None:
    cut = ORIGINAL[: 90 * SECTOR + 100]
    result = bench.mend(ORIGINAL, ORIGINAL, cut, cut, anyway=True)
    assert "size-decided" in rules(result)
    assert result.parts == ()
    assert bench.equals_original()


def test_a_voice_alone_and_a_dispute_are_told_apart(bench: Bench) -> None:
    result = bench.mend(ORIGINAL, spoil(ORIGINAL, 49)[: 50 * SECTOR])
    assert [(part.span.first_lba, part.disputed) for part in result.parts] == [
        (49, True),
        (50, False),
    ]
    messages = [each.message for each in result.findings if each.rule == "bytes-decided"]
    assert "disagree" in messages[0]
    assert "only one of the files" in messages[1]


def test_a_file_counts_once_under_any_name(bench: Bench) -> None:
    image = spoil(ORIGINAL, 3)
    bench.lay(image, [ORIGINAL])
    copy, link, hard = (bench.folder / name for name in ("copy0.iso", "link.iso", "hard.iso"))
    link.symlink_to(copy)
    hard.hardlink_to(copy)
    result = mend_image(bench.image, [copy, link, hard, bench.image], bench.output)
    assert result.outcome is MendOutcome.INCOMPLETE
    assert len(result.copies) == 2
    assert [each.where for each in result.findings if each.rule == "copy-is-used"] == [
        str(link),
        str(hard),
        str(bench.image),
    ]


def test_copies_of_another_image_do_not_replace_this_one(bench: Bench) -> None:
    result = bench.mend(ORIGINAL, ANOTHER, ANOTHER)
    assert (result.outcome, result.is_written) == (MendOutcome.INCOMPLETE, False)
    assert "image-agrees-with-copies" in rules(result)
    result = bench.mend(spoil(ORIGINAL, 3), ORIGINAL, ORIGINAL, ANOTHER)
    assert result.outcome is MendOutcome.INCOMPLETE  # two of four are no majority
    result = bench.mend(spoil(ORIGINAL, 3), ORIGINAL, ANOTHER, ORIGINAL, ORIGINAL)
    assert result.outcome is MendOutcome.VOTED
    assert bench.equals_original()
    assert [each.where for each in result.findings if each.rule == "copy-agrees"] == [
        str(bench.folder / "copy1.iso")
    ]


def test_scattered_votes_take_bounded_memory(bench: Bench) -> None:
    """Every second sector differs: parts stay few, and say what they cover."""
    image = spoil(ORIGINAL, *range(90, 187, 2))
    result = bench.mend(image, ORIGINAL, ORIGINAL)
    assert bench.equals_original()
    bench.output.unlink()
    assert len(result.parts) == 1
    assert result.parts[0].changed == (result.parts[0].span,)
    result = bench.mend(spoil(image, 3), spoil(ORIGINAL, *range(91, 187, 2)), ORIGINAL, anyway=True)
    assert [(part.how, part.sources) for part in result.parts] == [(How.VOTED, ())]
    assert "most files agree" in result.findings[0].message

"""Is a file still what was recorded of it? One state for each image.

What was observed is judged by ``compare_with_record``, which reads nothing.

=============  ==================================================================
sound          the bytes are as recorded, and no damage shows
unrecorded     no digest is recorded, and no damage shows
damaged        as these two, but the structure inside has errors
decayed        the bytes differ, size and date do not: most likely the disk lost them
changed        the bytes differ and so does size or date: somebody wrote this file; it waits
               until the keeper accepts it as the record
truncated      shorter than recorded, and what is left is as recorded; or shorter
               than the volume inside says
missing        its folder is there, the file is not
away           its disk, card or share is not there; nothing is known
unreadable     the system cannot read it to the end
changing       size or date changed while it was read; nothing is said of it
=============  ==================================================================
"""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct, field
from msgspec.structs import replace

from mediashelf.findings import Finding, Severity, worst
from mediashelf.formats.structure_rules import TRUNCATING_RULE
from mediashelf.integrity.fixity import findings as fixity_findings
from mediashelf.integrity.fixity.acknowledged import with_acknowledged
from mediashelf.integrity.fixity.digests import BLOCK_DIGEST_SIZE, Digests, differing_blocks
from mediashelf.integrity.fixity.states import WORST_FIRST, State
from mediashelf.integrity.fixity.values import Absence, FixityRecord, FixityVerdict, Observed
from mediashelf.integrity.structure.damage import Span, merged, spans_of_blocks
from mediashelf.text import block_unit, blocks_differ, count_text

__all__ = [
    "WORST_FIRST",
    "Absence",
    "FixityRecord",
    "FixityVerdict",
    "Observed",
    "State",
    "compare_with_record",
]

_SHORT_RULES = frozenset(
    (TRUNCATING_RULE, "image-reaches-volume-end", "image-reaches-partition-end")
)


class _Comparison(Struct):
    state: State
    finding: Finding | None = None
    spans: tuple[Span, ...] = ()
    words: list[str] = field(default_factory=list)
    is_confirmed: bool = False


def compare_with_record(
    where: str,
    observed: Observed,
    recorded: FixityRecord | None,
    structure: Sequence[Finding] = (),
    *,
    structure_read: bool = True,
    inside_read: bool = False,
) -> FixityVerdict:
    """Judge what was observed against the record; reads nothing.

    ``where`` names the image in the findings. ``structure`` holds the structural
    findings of the image as it is now; those that the keeper acknowledged for exactly these
    bytes become notes. ``recorded`` is None, or has no digests,
    where nothing is recorded. What an audit found inside these bytes holds
    until files inside are read again, which ``inside_read`` says of ``structure``.
    """
    if observed.absence is Absence.AWAY:
        away = fixity_findings.away(where, recorded)
        if observed.problem:
            away = fixity_findings.other_folder(where, observed.problem)
        return FixityVerdict(State.AWAY, "nothing read", (away,))
    if observed.absence is Absence.MISSING:
        return FixityVerdict(
            State.MISSING, "nothing read", (fixity_findings.missing(where, recorded),)
        )
    if observed.is_changing:
        finding = fixity_findings.changing(where)
        return FixityVerdict(State.CHANGING, "changed while it was read", (finding,))
    if observed.problem:
        return _judge_unreadable(where, observed, recorded, structure)
    is_cut = any(finding.rule in _SHORT_RULES for finding in structure)
    comparison = _compare_bytes(where, observed, recorded, is_cut)
    is_good = comparison.state in (State.SOUND, State.UNRECORDED)
    if is_good and (is_cut or worst(structure) is Severity.ERROR):
        comparison.state = State.TRUNCATED if is_cut else State.DAMAGED
    comparison.words.append("structure read" if structure_read else "structure not read")
    own = () if comparison.finding is None else (comparison.finding,)
    if comparison.is_confirmed and recorded is not None:
        structure = with_acknowledged(structure, recorded.acknowledged)
        inside = () if inside_read else damage_inside(where, recorded, structure)
        if inside and comparison.state is State.SOUND:
            comparison.state = State.DAMAGED
        published = with_acknowledged(recorded.published, recorded.acknowledged)
        structure = (*inside, *structure, *(replace(each, where=where) for each in published))
    return FixityVerdict(
        comparison.state,
        "; ".join(comparison.words),
        (*own, *structure),
        comparison.spans,
        comparison.is_confirmed,
        observed.digests.size if observed.digests is not None else 0,
    )


def damage_inside(
    where: str, recorded: FixityRecord, structure: Sequence[Finding]
) -> tuple[Finding, ...]:
    """Return what an audit found inside these bytes that is not seen in the structure."""
    if not recorded.damage_inside:
        return ()
    told, *others = recorded.damage_inside
    known = recorded.acknowledged
    earlier = [each for each in with_acknowledged(others, known) if each not in structure]
    is_wrong = worst(earlier) is Severity.ERROR
    if not is_wrong and not any(each.rule in known for each in earlier):
        return ()
    severity = Severity.ERROR if is_wrong else Severity.NOTE  # it stands for the others
    return (replace(told, where=where, severity=severity), *earlier)


def _judge_unreadable(
    where: str,
    observed: Observed,
    recorded: FixityRecord | None,
    structure: Sequence[Finding],
) -> FixityVerdict:
    """Judge a file that could not be read whole; the blocks that were are compared."""
    own = [fixity_findings.unreadable(where, observed)]
    words = ["read around what the medium did not give"]
    spans = observed.unreadable
    if not spans:
        words = ["not read to its end"]
    elif observed.around is not None and recorded is not None and recorded.blocks:
        differing, total = _differing_beside(observed.around, recorded, spans)
        extent = blocks_differ(len(differing), total, recorded.block_size)
        if differing:
            others = spans_of_blocks(differing, recorded.block_size, observed.size)
            own.append(fixity_findings.decayed_beside(where, recorded, extent, others))
            spans = merged((*spans, *others))
        unit = block_unit(recorded.block_size)
        words.append(extent if differing else f"{count_text(total, 'block')} of {unit} as recorded")
    return FixityVerdict(State.UNREADABLE, "; ".join(words), (*own, *structure), spans)


def _differing_beside(
    around: Digests, recorded: FixityRecord, unreadable: Sequence[Span]
) -> tuple[list[int], int]:
    """Return the blocks that were read whole and differ, and how many were read whole."""
    size = recorded.block_size
    gaps = {
        number
        for span in unreadable
        for number in range(span.offset // size, (sum(span) - 1) // size + 1)
    }
    total = max(len(recorded.blocks), len(around.blocks)) // BLOCK_DIGEST_SIZE - len(gaps)
    numbers = differing_blocks(recorded.blocks, around.blocks)
    return [number for number in numbers if number not in gaps], total


def _compare_bytes(
    where: str, observed: Observed, recorded: FixityRecord | None, is_cut: bool
) -> _Comparison:
    digests = observed.digests
    if recorded is None or not recorded.digests:
        read = "contents not read" if digests is None else "all bytes read"
        return _Comparison(State.UNRECORDED, words=[read, "no recorded digest"])
    if digests is None:
        return _compare_sizes(where, observed, recorded)
    if _is_same(digests, recorded):
        words = [f"all bytes as recorded {recorded.recorded_at[:10]}".rstrip()]
        if observed.mtime_ns != recorded.mtime_ns:
            words.append("only the file's date differs")
        return _Comparison(State.SOUND, words=words, is_confirmed=True)
    comparison = _compare_blocks(where, observed, digests, recorded, is_cut)
    comparison.words = ["all bytes read, they differ from the record"]
    return comparison


def _is_same(digests: Digests, recorded: FixityRecord) -> bool:
    """Compare every algorithm that both sides have; at least one must be there."""
    common = digests.whole.keys() & recorded.digests.keys()
    if not common:
        raise ValueError(f"no digest in common: {list(digests.whole)}, {list(recorded.digests)}")
    return digests.size == recorded.size and all(
        digests.whole[name] == recorded.digests[name] for name in common
    )


def _compare_sizes(where: str, observed: Observed, recorded: FixityRecord) -> _Comparison:
    """Judge without having read the contents."""
    words = ["contents not read"]
    if observed.size < recorded.size:
        finding = fixity_findings.truncated(
            where, observed.size, recorded, "its contents were not read"
        )
        return _Comparison(State.TRUNCATED, finding, words=words)
    if observed.size > recorded.size:
        finding = fixity_findings.changed(where, observed, recorded, "")
        return _Comparison(State.CHANGED, finding, words=words)
    if observed.mtime_ns != recorded.mtime_ns:
        words.append("the file's date differs from the record")
    return _Comparison(State.SOUND, words=words)


def _compare_blocks(
    where: str, observed: Observed, digests: Digests, recorded: FixityRecord, is_cut: bool
) -> _Comparison:
    """Say how the bytes differ, as closely as the digests of the blocks allow."""
    is_comparable = bool(recorded.blocks) and recorded.block_size == digests.block_size
    numbers = differing_blocks(recorded.blocks, digests.blocks) if is_comparable else ()
    date_is_same = observed.mtime_ns == recorded.mtime_ns
    if digests.size < recorded.size:
        # The last block that is left is cut: its digest on record covers more bytes.
        whole_blocks = digests.size // digests.block_size if is_comparable else 0
        is_start = not whole_blocks or numbers[0] >= whole_blocks
        if is_start and (whole_blocks or not digests.size or date_is_same or is_cut):
            left = "too little is left to compare"
            if whole_blocks:
                unit = block_unit(digests.block_size)
                left = f"{count_text(whole_blocks, 'whole block')} of {unit} left, as recorded"
            finding = fixity_findings.truncated(where, digests.size, recorded, left)
            lost = Span(digests.size, recorded.size - digests.size)
            return _Comparison(State.TRUNCATED, finding, (lost,))
    total = max(len(recorded.blocks), len(digests.blocks)) // BLOCK_DIGEST_SIZE
    extent = blocks_differ(len(numbers), total, recorded.block_size) if numbers else ""
    spans = spans_of_blocks(numbers, recorded.block_size, max(recorded.size, digests.size))
    if digests.size == recorded.size and date_is_same:
        return _Comparison(
            State.DECAYED, fixity_findings.decayed(where, recorded, extent, spans), spans
        )
    return _Comparison(
        State.CHANGED, fixity_findings.changed(where, observed, recorded, extent), spans
    )

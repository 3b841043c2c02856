"""One pass over the blocks of an image that is to be mended, and what it amounts to."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import IO

from mediashelf.findings import Finding, Severity
from mediashelf.integrity.fixity.digests import BLOCK_DIGEST_SIZE, Digester, Digests
from mediashelf.integrity.fixity.values import FixityRecord
from mediashelf.integrity.mending.blocks import DigestMender, VoteMender
from mediashelf.integrity.mending.copies import Copies
from mediashelf.integrity.mending.findings import (
    copy_findings,
    mostly_overruled,
    part_findings,
    size_undecided,
    whole_differs,
)
from mediashelf.integrity.mending.values import How, Mending, MendOutcome, Part


class Work:
    """Goes through all blocks once; see :meth:`run`."""

    def __init__(
        self,
        copies: Copies,
        record: FixityRecord | None,
        tries: int,
        on_bytes: Callable[[int], None],
    ) -> None:
        self._copies = copies
        self._record = record
        self._on_bytes = on_bytes
        self._parts: list[Part] = []
        self._mender: DigestMender | VoteMender
        if record is not None and _has_blocks(record):
            self._mender = DigestMender(copies, record, tries)
        else:
            self._mender = VoteMender(copies, record.size if record is not None else None)

    def run(self, file: IO[bytes] | None, *, keep_open: bool = False) -> Mending:
        """Mend every block and write it to ``file``, but nothing from a part on that stays unknown.

        With ``keep_open`` everything is written. Whether the file gets its name is the
        caller's business: the result says that nothing was written.
        """
        image = self._copies.opened[0]
        in_bytes = not image.has_lbas()
        digests = self._pass(file, keep_open)
        self._mender.finish()
        findings = tuple(self._iter_findings(digests, in_bytes))
        return Mending(
            image=image.report.path,
            output=None,
            outcome=self._outcome(digests, findings),
            is_written=False,
            size=self._mender.size,
            block_size=self._mender.block_size,
            in_bytes=in_bytes,
            copies=tuple(copy.report for copy in self._copies.opened),
            parts=tuple(self._parts),
            record=self._record,
            findings=findings,
            digests=digests.whole,
        )

    def _pass(self, file: IO[bytes] | None, keep_open: bool) -> Digests:
        algorithms = tuple(self._record.digests) if self._record is not None else ("xxh3_128",)
        digester = Digester(algorithms, block_size=0)
        size, step = self._mender.size, self._mender.block_size
        for offset in range(0, size, step):
            data, parts = self._mender.mend(offset, min(step, size - offset))
            digester.update(data)
            for part in parts:
                self._add(part)
            if not keep_open and any(part.how.is_open for part in parts):
                file = None  # nobody will want it
            if file is not None:
                file.write(data)
            self._on_bytes(len(data))
        return digester.finish()

    def _add(self, part: Part) -> None:
        """Keep a part; one that goes on where the last one ended, in the same way, joins it."""
        last = self._parts[-1] if self._parts else None
        if last is not None and last.goes_on_with(part):
            self._parts[-1] = last.joined_with(part)
        else:
            self._parts.append(part)

    @property
    def _changed(self) -> int:
        return sum(copy.report.given for copy in self._copies.opened)

    def _is_as_recorded(self, digests: Digests) -> bool:
        record = self._record
        return record is not None and digests.whole == record.digests

    def _iter_findings(self, digests: Digests, in_bytes: bool) -> Iterator[Finding]:
        image = self._copies.opened[0].report
        sizes = [copy.report.size for copy in self._copies.opened]
        if isinstance(self._mender, VoteMender) and not self._mender.size_is_decided:
            yield size_undecided(str(image.path), sizes)
        proved = self._is_as_recorded(digests)
        parts = [part for part in self._parts if not (proved and part.how is How.VOTED)]
        yield from part_findings(parts, len(sizes), in_bytes)
        if self._record is not None and not proved and not any(p.how.is_open for p in parts):
            yield whole_differs(str(image.path))
        yield from mostly_overruled(image, digests.size, by_record=self._record is not None)
        yield from copy_findings(self._copies, digests.size, in_bytes)

    def _outcome(self, digests: Digests, findings: tuple[Finding, ...]) -> MendOutcome:
        if any(finding.severity is Severity.ERROR for finding in findings):
            return MendOutcome.INCOMPLETE
        is_changed = self._changed or self._copies.opened[0].report.size != digests.size
        if self._record is not None:
            return MendOutcome.PROVED if is_changed else MendOutcome.AS_RECORDED
        return MendOutcome.VOTED if is_changed else MendOutcome.UNCHANGED


def _has_blocks(record: FixityRecord) -> bool:
    """Tell whether the digests of all blocks are on record."""
    if not record.blocks or record.block_size <= 0:
        return False
    return len(record.blocks) == -(-record.size // record.block_size) * BLOCK_DIGEST_SIZE

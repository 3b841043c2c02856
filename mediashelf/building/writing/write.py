"""Build a planned disc: write it, have it read back by two readers, and only then name it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from pathlib import Path

from msgspec import Struct

from mediashelf.building.planning.disc_plan import DiscPlan
from mediashelf.building.sources.digesting import PassingDigests
from mediashelf.building.writing.blocking import blocking, refuse_blocked
from mediashelf.building.writing.destination import refuse_output
from mediashelf.building.writing.disc_writer import DiscWriter
from mediashelf.building.writing.reading_back import read_back_disc
from mediashelf.building.writing.witness import hear_witness
from mediashelf.building.writing.witness_ahead import asked_ahead
from mediashelf.files import flush_file, whole_output

OnBytes = Callable[[int], None]


class BuiltDisc(Struct, frozen=True):
    """A disc that was written and read back."""

    path: Path
    plan: DiscPlan

    @property
    def size(self) -> int:
        """Bytes of the image."""
        return self.plan.size

    @property
    def digests(self) -> dict[str, str]:
        """SHA-256 in hexadecimal digits by long path; put together anew for whoever asks."""
        files = [file for file in self.plan.iter_files() if file is not self.plan.catalog]
        return {file.long_path: file.content.digest.hex() for file in files}


def build_disc(
    plan: DiscPlan,
    output: Path,
    *,
    anyway: bool = False,
    replace: bool = True,
    on_bytes: OnBytes = lambda count: None,
) -> BuiltDisc:
    """Write the disc, read it back, and give it its name.

    ``on_bytes`` is called with the bytes just read from sources, then with those
    read back: twice ``plan.content_size`` in all.

    Raises :class:`BlockedError` when the plan has errors (``anyway`` overrides
    those that leave a disc possible), :class:`BuildError` when a source is not
    what was planned or the disc does not read back as it was written, and
    :class:`OutputError` when the output cannot be written or must not be.
    """
    (built,) = build_discs([plan], [output], anyway=anyway, replace=replace, on_bytes=on_bytes)
    return built


def build_discs(
    plans: Sequence[DiscPlan],
    outputs: Sequence[Path],
    *,
    anyway: bool = False,
    replace: bool = True,
    on_bytes: OnBytes = lambda count: None,
) -> list[BuiltDisc]:
    """Write several discs like :func:`build_disc`; none gets its name before all are sound."""
    for plan, output in zip(plans, outputs, strict=True):
        refuse_blocked(blocking(plan.findings, anyway=anyway))
        refuse_output(plan.recipe, output, replace=replace)
    with ExitStack() as stack:
        # The stack ends with what came first, so the first disc is named first.
        temporaries = [
            stack.enter_context(whole_output(output, replace=replace)) for output in outputs[::-1]
        ][::-1]
        with asked_ahead(plans, temporaries) as witnesses, _flushing() as flush:
            for plan, temporary, witness in zip(plans, temporaries, witnesses, strict=True):
                with PassingDigests() as digests:
                    DiscWriter(plan, digests, on_bytes, witness.begin).write(temporary)
                flush(temporary)
                read_back_disc(plan, temporary, on_bytes=on_bytes)
                if not witness.agrees():
                    hear_witness(plan, temporary)
    return [BuiltDisc(output, plan) for plan, output in zip(plans, outputs, strict=True)]


@contextmanager
def _flushing() -> Iterator[Callable[[Path], None]]:
    """Give what begins to bring a file to the disk; when the block ends all of them are there.

    Meanwhile a file is read back, from memory still, and others are written. Raises ``OSError``.
    """
    pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="flushing")
    begun: list[Future[None]] = []
    try:
        yield lambda path: begun.append(pool.submit(flush_file, path))
        for flushed in begun:
            flushed.result()
    finally:
        pool.shutdown(cancel_futures=True)

"""Progress on a terminal, on standard error, and nowhere else."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, NoReturn

if TYPE_CHECKING:
    from tqdm import tqdm


@contextmanager
def progress(
    label: str, *, total: int | None = None, unit: str = "B", quiet: bool = False
) -> Iterator[Callable[[int], None]]:
    """Give a callback that takes the amount done since the last call."""
    if quiet or not sys.stderr.isatty():
        yield lambda amount: None
        return
    from tqdm import tqdm  # loaded only where it is seen: it costs a third of a short command

    bar: tqdm[NoReturn] = tqdm(
        desc=label,
        total=total,
        unit=unit,
        unit_scale=True,
        unit_divisor=1024 if unit == "B" else 1000,
        leave=False,
        file=sys.stderr,
        mininterval=0.2,
    )
    try:
        yield lambda amount: _advance(bar, amount)
    finally:
        bar.close()


def _advance(bar: tqdm[NoReturn], amount: int) -> None:
    bar.update(amount)

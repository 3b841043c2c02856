"""Python's garbage collector, paused where much is made that lives."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def collector_paused() -> Iterator[None]:
    """Pause the cyclic garbage collector, which takes a third of the time of a large listing.

    Hundreds of thousands of tuples are made here, and no cycles. They then count as old,
    else the first thing that is made afterwards has all of them looked at.
    """
    was_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_enabled:
            gc.freeze()
            gc.unfreeze()
            gc.enable()

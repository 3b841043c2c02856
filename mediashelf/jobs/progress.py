"""How a job tells how far it is: a callback, so that jobs print nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Protocol

OnAmount = Callable[[int], None]


class Progress(Protocol):
    """Opens a stretch of work; its callback takes the amount done since the last call."""

    def __call__(
        self, label: str, *, total: int | None = None, unit: str = "B"
    ) -> AbstractContextManager[OnAmount]: ...


@contextmanager
def no_progress(label: str, *, total: int | None = None, unit: str = "B") -> Iterator[OnAmount]:
    """Tell nobody."""
    yield lambda amount: None

"""How a job tells what it waits for and how far it is: a callback, so that jobs print nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Protocol

OnAmount = Callable[[int], None]


class OnWork(Protocol):
    """Takes the amount done since the last call, and the name of what is worked on."""

    def __call__(self, amount: int, /) -> None: ...

    def show(self, name: str, /) -> None:
        """Say what is worked on now."""


class Progress(Protocol):
    """Opens a stretch of work: ``label`` says what is done, ``total`` how much of ``unit`` that is.

    Without a ``unit`` nothing can be counted.
    """

    def __call__(
        self, label: str, *, total: int | None = None, unit: str = "B"
    ) -> AbstractContextManager[OnWork]: ...


class _Nobody:
    def __call__(self, amount: int, /) -> None:
        return None

    def show(self, name: str, /) -> None:
        return None


@contextmanager
def no_progress(label: str, *, total: int | None = None, unit: str = "B") -> Iterator[OnWork]:
    """Tell nobody."""
    yield _Nobody()

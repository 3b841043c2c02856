"""Progress on a terminal, on standard error, and nowhere else: what is done, how far, how long."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, NoReturn

from mediashelf.cli.telling import tell
from mediashelf.text import printable

if TYPE_CHECKING:
    from tqdm import tqdm

_NAME_SHOWN = 28  # columns
_FIRST_AFTER = 0.3  # seconds; what is done sooner shows nothing
_EVERY = 1.0  # seconds; the time goes on also where nothing can be counted for a while

_COUNTED = "{desc}: {n_fmt}{unit}, {elapsed}{postfix}"
_TIMED = "{desc}: {elapsed}{postfix}"
_BAR = "{desc}: {percentage:3.0f}%|{bar}| {n_fmt}/{total_fmt}, {remaining} left{postfix}"


class Meter:
    """Takes the amount done since the last call, and can say what is being waited for."""

    def __init__(self, bar: tqdm[NoReturn] | None = None) -> None:
        self._bar = bar

    def __call__(self, amount: int, /) -> None:
        if self._bar is not None:
            self._bar.update(amount)

    def show(self, name: str, /) -> None:
        """Say what is being read, beside the bar."""
        if self._bar is not None:
            self._bar.set_postfix_str(shortened(printable(name)), refresh=False)


def shortened(name: str) -> str:
    """Return a name that leaves room for the bar: its end tells most."""
    return name if len(name) <= _NAME_SHOWN else f"…{name[1 - _NAME_SHOWN :]}"


def wait_for(text: str, *, quiet: bool = False) -> None:
    """Say on a terminal what is waited for before anything can be counted."""
    if not quiet and sys.stderr.isatty():
        tell(text)


@contextmanager
def progress(
    label: str, *, total: int | None = None, unit: str = "B", quiet: bool = False
) -> Iterator[Meter]:
    """Give a callback that takes the amount done since the last call.

    The line says what is waited for, and how long: what is left of a ``total``, else how long
    it has been. Without a ``unit`` nothing can be counted.
    """
    if quiet or not sys.stderr.isatty():
        yield Meter()
        return
    from tqdm import tqdm  # loaded only where it is seen: it costs a third of a short command

    bar: tqdm[NoReturn] = tqdm(
        desc=label,
        total=total,
        unit=unit if unit in ("", "B") else f" {unit}",
        unit_scale=True,
        unit_divisor=1024 if unit == "B" else 1000,
        leave=False,
        file=sys.stderr,
        mininterval=0.2,
        delay=_FIRST_AFTER,
        bar_format=_TIMED if not unit else _COUNTED if not total else _BAR,
    )
    ended = threading.Event()
    ticking = threading.Thread(target=_tick, args=(bar, ended), daemon=True)
    ticking.start()
    try:
        yield Meter(bar)
    finally:
        ended.set()
        ticking.join()
        bar.close()


def _tick(bar: tqdm[NoReturn], ended: threading.Event) -> None:
    while not ended.wait(_EVERY):
        bar.delay = 0  # it has been seen now, and is to be cleared when it ends
        bar.refresh()

"""Progress on a terminal, on standard error, and nowhere else."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, NoReturn

import click

from mediashelf.text import printable

if TYPE_CHECKING:
    from tqdm import tqdm

_NAME_SHOWN = 28  # columns


class Meter:
    """Takes the amount done since the last call, and can say what is being waited for."""

    def __init__(self, bar: tqdm[NoReturn] | None = None) -> None:
        self._bar = bar

    def __call__(self, amount: int) -> None:
        if self._bar is not None:
            self._bar.update(amount)

    def show(self, name: str) -> None:
        """Say what is being read, beside the bar."""
        if self._bar is not None:
            self._bar.set_postfix_str(shortened(printable(name)), refresh=False)


def shortened(name: str) -> str:
    """Return a name that leaves room for the bar: its end tells most."""
    return name if len(name) <= _NAME_SHOWN else f"…{name[1 - _NAME_SHOWN :]}"


def wait_for(text: str, *, quiet: bool = False) -> None:
    """Say on a terminal what is waited for before anything can be counted."""
    if not quiet and sys.stderr.isatty():
        click.echo(printable(text), err=True)


@contextmanager
def progress(
    label: str, *, total: int | None = None, unit: str = "B", quiet: bool = False
) -> Iterator[Meter]:
    """Give a callback that takes the amount done since the last call."""
    if quiet or not sys.stderr.isatty():
        yield Meter()
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
        yield Meter(bar)
    finally:
        bar.close()

"""Answers questions in a process of its own.

``python -m mediashelf.helping.child MODULE:FUNCTION`` reads pickled questions from standard input
and writes what the function answers to each, in order, to standard output. It ends where its
input does, so that it never outlives the process that asks.
"""

from __future__ import annotations

import gc
import os
import pickle
import signal
import sys
from pkgutil import resolve_name
from typing import IO


def send(stream: IO[bytes], value: object) -> None:
    """Write a value so that :func:`pickle.load` reads it from the other end."""
    pickle.dump(value, stream, pickle.HIGHEST_PROTOCOL)
    stream.flush()


def main() -> None:
    """Answer until there is nothing more to read, which is an ``EOFError``."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the process that asks sees to Ctrl-C
    gc.set_threshold(100_000, 20, 20)  # facts are many small values without circles
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # whatever else is printed is no answer
    function = resolve_name(sys.argv[1])
    while True:
        send(answers, function(*pickle.load(sys.stdin.buffer)))


if __name__ == "__main__":
    try:
        main()
    except (EOFError, BrokenPipeError):
        sys.exit()

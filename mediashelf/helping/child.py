"""Answers questions in a process of its own.

``python -m mediashelf.helping.child MODULE:FUNCTION`` reads questions from standard input and
writes what the function answers to each, in order, to standard output: a length of 4 bytes, high
byte first, and a pickled value of that length. It ends where its input does, so that it never
outlives the process that asks.
"""

from __future__ import annotations

import gc
import os
import pickle
import signal
import struct
import sys
from pkgutil import resolve_name
from typing import IO, Any


def send(stream: IO[bytes], value: object) -> None:
    """Write one message."""
    data = pickle.dumps(value, pickle.HIGHEST_PROTOCOL)
    stream.write(struct.pack(">I", len(data)) + data)
    stream.flush()


def receive(stream: IO[bytes]) -> Any:
    """Read one message; raises ``EOFError`` where there is none, or a part of one."""
    head = stream.read(4)
    if len(head) < 4:
        raise EOFError
    (size,) = struct.unpack(">I", head)
    data = stream.read(size)
    if len(data) < size:
        raise EOFError
    return pickle.loads(data)


def main() -> None:
    """Answer until there is nothing more to read."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the process that asks sees to Ctrl-C
    gc.set_threshold(100_000, 20, 20)  # facts are many small values without circles
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # whatever else is printed is no answer
    function = resolve_name(sys.argv[1])
    while True:
        try:
            question = receive(sys.stdin.buffer)
        except EOFError:
            return
        send(answers, function(*question))


if __name__ == "__main__":
    try:
        main()
    except BrokenPipeError:
        sys.exit(1)

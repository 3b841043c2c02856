"""Reads images in a process of its own, so that several processors work on many small ones.

``python -m mediashelf.jobs.shelves.reading_child`` reads requests from standard input and writes
an answer to each, in order, to standard output: a length of 4 bytes, high byte first, and a
pickled value of that length, a :class:`Request` or a reading. It ends where its input does, so
that it never outlives the process that asks.
"""

from __future__ import annotations

import os
import struct
import sys
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple

from mediashelf.own_process import begin_helping


class Request(NamedTuple):
    """An image to read."""

    path: Path
    algorithms: tuple[str, ...]
    with_packages: bool


def send(stream: BinaryIO, value: object) -> None:
    """Write one message."""
    import pickle  # most scans start no process

    data = pickle.dumps(value, pickle.HIGHEST_PROTOCOL)
    stream.write(struct.pack(">I", len(data)) + data)
    stream.flush()


def receive(stream: BinaryIO) -> Any:
    """Read one message; raises ``EOFError`` where there is none, or a part of one."""
    import pickle

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
    begin_helping()
    from mediashelf.catalogue.scanning.reading import read_image
    from mediashelf.jobs.shelves.first_look import packages_of

    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # whatever else is printed is no answer
    while True:
        try:
            path, algorithms, with_packages = receive(sys.stdin.buffer)
        except EOFError:
            return
        look = packages_of if with_packages else None
        send(answers, read_image(path, algorithms=algorithms, look_for_packages=look))


if __name__ == "__main__":
    try:
        main()
    except BrokenPipeError:
        sys.exit(1)

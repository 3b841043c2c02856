"""Commands at a terminal, as Unix has them: of a given size, with all that it gets."""

from __future__ import annotations

import fcntl
import os
import pty
import struct
import subprocess
import sys
import termios
from pathlib import Path
from typing import NamedTuple


class Told(NamedTuple):
    text: str
    code: int


def at_terminal(
    *words: object,
    columns: int = 80,
    lines: int = 24,
    folder: Path | None = None,
    code: str = "",
    **environment: str,
) -> Told:
    """Run a command and return what the terminal gets; ``code`` is Python run before it."""
    start = "import sys; from mediashelf.__main__ import run; sys.argv[0] = 'mediashelf'; run()"
    command = [sys.executable, "-c", f"{code}\n{start}", *map(str, words)]
    chosen = ("PAGER", "NO_COLOR", "COLUMNS", "LINES")
    around = {name: text for name, text in os.environ.items() if name not in chosen}
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", lines, columns, 0, 0))
    with subprocess.Popen(
        command,
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        cwd=folder,
        env=around | {"TERM": "xterm", **environment},
    ) as process:
        os.close(theirs)
        told = b""
        while piece := _read(ours):
            told += piece
    os.close(ours)
    return Told(told.decode().replace("\r\n", "\n"), process.returncode)


def _read(descriptor: int) -> bytes:
    try:
        return os.read(descriptor, 65536)
    except OSError:  # Linux: the other side was closed
        return b""

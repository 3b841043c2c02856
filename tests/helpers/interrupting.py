"""Programs that a test interrupts as a person does with Ctrl-C."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Sequence
from typing import Any

# Windows sends Ctrl-C to all programs of a console at once, or to none. There the program
# raises the signal in itself, in another thread, as the system does.
_LISTENING = """
import signal, sys, threading
def listen():
    if sys.stdin.readline():
        signal.raise_signal(signal.SIGINT)
threading.Thread(target=listen, daemon=True).start()
"""


def start_python(code: str, arguments: Sequence[object] = (), **more: Any) -> subprocess.Popen[str]:
    """Start Python code whose output is read, and which :func:`interrupt` can stop."""
    listening = _LISTENING if os.name == "nt" else ""
    command = [sys.executable, "-c", listening + code, *map(str, arguments)]
    pipe = subprocess.PIPE
    return subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=pipe, text=True, **more)


def interrupt(running: subprocess.Popen[str]) -> None:
    """Interrupt what :func:`start_python` started."""
    if os.name != "nt":
        running.send_signal(signal.SIGINT)
        return
    assert running.stdin is not None
    running.stdin.write("stop\n")
    running.stdin.flush()

"""Modules of this program that run in processes of their own."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import IO, TYPE_CHECKING

if TYPE_CHECKING:
    import subprocess

_PLACE = str(Path(__file__).resolve().parents[1])


def start_module(
    module: str,
    *arguments: str,
    stdin: int | IO[bytes] | None = None,
    environment: Mapping[str, str] | None = None,
) -> subprocess.Popen[bytes]:
    """Start a module with a pipe for what it answers; ``environment`` is set for it beside ours.

    Where ``stdin`` is None there is a pipe for that too. The module is taken from where this one
    comes from, so that both are of one version. What it says of its own troubles is not shown.
    Raises ``OSError`` where it cannot be started.
    """
    import subprocess  # seldom needed: most commands start nothing

    if not sys.executable:  # as where another program has Python inside
        raise FileNotFoundError("the program that runs Python is not known")
    others = [one for one in [os.environ.get("PYTHONPATH", "")] if one]
    path = os.pathsep.join([_PLACE, *others])
    return subprocess.Popen(
        # -P: no module of the current folder is imported.
        [sys.executable, "-P", "-m", module, *arguments],
        env={**os.environ, "PYTHONPATH": path, **(environment or {})},
        stdin=subprocess.PIPE if stdin is None else stdin,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )


def processors() -> int:
    """Return how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1

"""Modules of this program that run in processes of their own."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

_PLACE = str(Path(__file__).resolve().parents[1])


def start_module(module: str, *arguments: str) -> subprocess.Popen[bytes] | None:
    """Start a module with pipes for what goes in and comes out; None where that cannot be.

    It is taken from where this one comes from, so that both are of one version. What it
    says of its own troubles is not shown: whoever starts it does the work without it then.
    """
    if not sys.executable:  # as where another program has Python inside
        return None
    others = [one for one in [os.environ.get("PYTHONPATH", "")] if one]
    try:
        return subprocess.Popen(
            # -P: no module of the current folder is imported.
            [sys.executable, "-P", "-m", module, *arguments],
            env={**os.environ, "PYTHONPATH": os.pathsep.join([_PLACE, *others])},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
    except OSError:
        return None

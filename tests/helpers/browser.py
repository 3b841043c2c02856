"""Pages in a browser: what it makes of them, and what a script says there."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from html import escape, unescape
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = shutil.which("chromium")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-sync",
    "--disable-background-networking",
    "--disable-component-update",
    "--hide-scrollbars",
]


def run(text: str, folder: Path, *more: str) -> str:
    """Return the page as a browser leaves it."""
    if CHROMIUM is None:
        pytest.skip("no chromium here")
    file = folder / "page.html"
    file.write_text(text, "utf-8")
    profile = folder / "profile"
    done = subprocess.run(
        [CHROMIUM, *FLAGS, *more, f"--user-data-dir={profile}", "--dump-dom", file.as_uri()],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    if done.returncode or "</html>" not in done.stdout:
        pytest.skip(f"chromium does not start here: {done.stderr[-300:]}")
    return done.stdout


PHONE = 390  # CSS pixels, as many phones have


def frame(page: str, width: int) -> str:
    return f'<iframe width="{width}" height="800" frameborder="0" srcdoc="{escape(page)}"></iframe>'


def allow_any_script(text: str) -> str:
    changed = re.sub(r"script-src '[^']*'", "script-src 'unsafe-inline'", text)
    assert changed != text
    return changed


def said_by(dump: str) -> Any:
    (data,) = re.findall(r'data-said="([^"]*)"', dump)
    return json.loads(unescape(data))

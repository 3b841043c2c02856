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


# Says how far each frame had come when the scripts of the page looked at it.
FRAMES = """<script>
addEventListener("load", function () {
  document.body.dataset.frames = Array.from(document.querySelectorAll("iframe"),
    function (frame) {
      var inside = frame.contentDocument;
      return inside ? inside.URL + "," + inside.readyState : "none";
    }).join(" ");
});
</script>"""
LOADED = "about:srcdoc,complete"  # HTML, "about:srcdoc" and "current document readiness"


def run(text: str, folder: Path, *more: str) -> str:
    """Return the page as a browser leaves it; all its frames are loaded.

    A browser may call a page loaded while a frame is still the blank one it begins with
    (seen once): what the page's scripts then saw says nothing, and the page is shown again.
    """
    if "srcdoc=" not in text:
        return _shown(text, folder, *more)
    asked = text.replace("<body>", f"<body>{FRAMES}", 1)
    for attempt in range(3):
        dump = _shown(asked, folder / f"shown-{attempt}", *more)
        (frames,) = re.findall(r'data-frames="([^"]*)"', dump)
        if set(frames.split()) == {LOADED}:
            return dump
    raise AssertionError(f"the frames are not loaded: {frames}")


def _shown(text: str, folder: Path, *more: str) -> str:
    if CHROMIUM is None:
        pytest.skip("no chromium here")
    folder.mkdir(exist_ok=True)
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


def printed_pages(text: str, folder: Path) -> int:
    """Return on how many pages the browser prints a page."""
    if CHROMIUM is None:
        pytest.skip("no chromium here")
    file, printed = folder / "page.html", folder / "page.pdf"
    file.write_text(text, "utf-8")
    printed.unlink(missing_ok=True)
    command = [CHROMIUM, *FLAGS, f"--user-data-dir={folder / 'profile'}"]
    command += [f"--print-to-pdf={printed}", "--no-pdf-header-footer", file.as_uri()]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    if not printed.exists():
        pytest.skip(f"chromium does not start here: {done.stderr[-300:]}")
    # ISO 32000-1, table 30: each page has an object of its own; Chromium packs none of them.
    return len(re.findall(rb"/Type\s*/Page\b", printed.read_bytes()))


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


BLANKS = """<!DOCTYPE html><html><body>%s<script>
addEventListener("load", function () {
  var said = Array.from(document.querySelectorAll("iframe"), function (frame) {
    var root = frame.contentDocument, lost = [], kept = [], node;
    var walker = root.createTreeWalker(root.body, NodeFilter.SHOW_TEXT);
    while ((node = walker.nextNode())) {
      var inside = node.parentElement;
      if (inside.closest("script, noscript, title")) { continue; }
      var style = getComputedStyle(inside).whiteSpace;
      if (!/ {2}tide/.test(node.data)) { continue; }
      (/^(pre|pre-wrap|break-spaces)$/.test(style) ? kept : lost).push(node.data);
    }
    return { lost: lost, kept: kept, page: root.body.innerText };
  });
  document.body.dataset.said = JSON.stringify(said);
});
</script></body></html>"""


def assert_blanks_kept(pages: list[str], folder: Path) -> None:
    """Both blanks of a name that ends in ``  tide`` are seen wherever a page shows it."""
    for page in said_by(run(BLANKS % "".join(frame(page, PHONE) for page in pages), folder)):
        assert page["lost"] == [], page["lost"]
        assert len(page["kept"]) >= 3, page

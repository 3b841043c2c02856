"""A page in a browser that is asked what the page cost, by processor time and not by the clock.

The DevTools protocol over a pipe (``--remote-debugging-pipe``): messages are JSON, each ended
by a zero byte; the browser reads them from descriptor 3 and answers on descriptor 4.
"""

from __future__ import annotations

import json
import os
import select
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from browser import CHROMIUM, FLAGS

_SECONDS = 120  # for one answer; nothing is concluded from how long it takes


class BrowserPage:
    """One page of a browser, by the protocol's methods."""

    def __init__(self, commands: int, answers: int) -> None:
        self._commands, self._answers = commands, answers
        self._number = 0
        self._read = b""
        self._session: dict[str, Any] = {}
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        attached = self.ask("Target.attachToTarget", targetId=target, flatten=True)
        self._session = {"sessionId": attached["sessionId"]}
        self.ask("Page.enable")
        # Times in the metrics are then those of the page's thread on a processor.
        self.ask("Performance.enable", timeDomain="threadTicks")

    def ask(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Call a method, and return its result."""
        self._number += 1
        message = {"id": self._number, "method": method, "params": parameters, **self._session}
        os.write(self._commands, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == self._number:
                assert "error" not in answer, answer
                result: dict[str, Any] = answer["result"]
                return result

    def open(self, file: Path) -> None:
        """Load a page, and wait until all of it is there."""
        self.ask("Page.navigate", url=file.as_uri())
        while self._next().get("method") != "Page.loadEventFired":
            pass

    def value(self, script: str) -> Any:
        """Return what a script gives that runs in the page."""
        result = self.ask(
            "Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True
        )
        assert "exceptionDetails" not in result, result
        return result["result"].get("value")

    def metrics(self) -> dict[str, float]:
        """Return what the page has cost so far, by the protocol's names."""
        metrics = self.ask("Performance.getMetrics")["metrics"]
        return {each["name"]: each["value"] for each in metrics}

    def _next(self) -> dict[str, Any]:
        deadline = time.monotonic() + _SECONDS
        while b"\0" not in self._read:
            ready, _, _ = select.select([self._answers], [], [], deadline - time.monotonic())
            if not ready:
                pytest.skip("chromium does not answer here")
            piece = os.read(self._answers, 1 << 20)
            if not piece:
                pytest.skip("chromium does not start here")
            self._read += piece
        message, _, self._read = self._read.partition(b"\0")
        answer: dict[str, Any] = json.loads(message)
        return answer


@contextmanager
def browser_page(folder: Path) -> Iterator[BrowserPage]:
    """Start a browser with one page; skips where there is none."""
    if CHROMIUM is None or os.name == "nt":
        pytest.skip("no chromium here, or none that is asked through a pipe")
    from_us, to_browser = os.pipe()
    from_browser, to_us = os.pipe()

    def place_pipes() -> None:
        import fcntl  # not in Windows

        # Out of the way first: the pipes themselves may have the numbers 3 and 4.
        ends = [fcntl.fcntl(end, fcntl.F_DUPFD, 10) for end in (from_us, to_us)]
        for number, end in enumerate(ends, 3):
            os.dup2(end, number)

    command = [CHROMIUM, *FLAGS, f"--user-data-dir={folder}", "--remote-debugging-pipe"]
    process = subprocess.Popen(
        command,
        preexec_fn=place_pipes,
        close_fds=False,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        os.close(from_us)
        os.close(to_us)
        yield BrowserPage(to_browser, from_browser)
    finally:
        process.terminate()
        process.wait(timeout=_SECONDS)
        os.close(to_browser)
        os.close(from_browser)

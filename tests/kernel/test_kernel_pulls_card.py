"""A FAT32 card in a USB drive is pulled while it is prepared, on a real kernel.

The whole of ``prepare`` runs inside the machine (``pull.py``): the card fills up, is
pulled at ten random moments, and is tidied. What must hold is asserted there.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import virtual_machine
from pulled_cards import ROUNDS

pytestmark = pytest.mark.kernel


@pytest.mark.skipif(
    sys.version_info[:2] != virtual_machine.GUEST_PYTHON,
    reason="the machine's Python is another, and libraries are copied from here",
)
def test_a_pulled_usb_card_loses_nothing_of_theirs(
    tmp_path: Path, boot: Callable[..., str]
) -> None:
    (tmp_path / "empty").write_bytes(b"")
    printed = boot("pull.py", tmp_path, seconds=900)
    lines = [line.partition("RESULT ")[2] for line in printed.splitlines() if "RESULT " in line]
    sys.stdout.write("\n".join(lines) + "\n")
    assert lines and lines[-1] == "end", printed[-6000:]
    assert sum("theirs untouched" in line for line in lines) == ROUNDS
    assert any(line.startswith("filled up: ") and "the card is full" in line for line in lines)
    stopped = int(lines[-2].split()[1])
    assert stopped >= ROUNDS // 2  # else the pulls came too late to prove anything

"""Every test is run under Windows, or the list says why it is not."""

from __future__ import annotations

from pathlib import Path

TESTS = Path(__file__).parents[1]


def test_no_test_is_left_out_silently() -> None:
    text = (TESTS / "windows" / "folders.txt").read_text("utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    without = dict(line.removeprefix("not ").split(": ") for line in lines if line[:4] == "not ")
    assert all(len(reason) > 10 for reason in without.values())
    places = [TESTS.parent / line for line in lines if line[:4] != "not "]
    places += [TESTS.parent / place for place in without]
    assert [place for place in places if not place.exists()] == []
    left = [
        path.relative_to(TESTS).as_posix()
        for path in TESTS.rglob("test_*.py")
        if not any(path.is_relative_to(place) for place in places)
    ]
    assert left == []

"""Notes typed at the bench, and what is on record of them."""

from __future__ import annotations

from click.testing import Result

from cli_runs import Shelf


def note(shelf: Shelf, *words: str, code: int = 0) -> Result:
    return shelf.run("session", "note", *words, code=code)


def outcomes(shelf: Shelf, *options: str) -> list[str]:
    discs = shelf.json("session", "report", *options)["session"]["discs"]
    return [disc["outcome"] for disc in discs]

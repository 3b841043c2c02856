"""A command that fails while it writes JSON leaves no document that looks whole. Own behaviour."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cli_runs import Shelf
from made_library import write
from make_image import make_iso
from mediashelf.cli import documents
from mediashelf.cli.image import show_json
from mediashelf.cli.render import say_json
from mediashelf.errors import InputError

COUNT = 1500
FILES = {f"D/LONG_NAME_OF_A_FILE_{number}.TEXT": b"x" for number in range(COUNT)}


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    shelf = Shelf(tmp_path)
    write(shelf.home / "disc.iso", make_iso(FILES, joliet=True, rock_ridge=True).data)
    return shelf


def is_whole(text: str) -> bool:
    try:
        json.loads(text)
    except ValueError:
        return False
    return True


def after(count: int, values: Iterator[Any]) -> Iterator[Any]:
    for _, value in zip(range(count), values, strict=False):
        yield value
    raise InputError("disc.iso: Input/output error")


@pytest.mark.parametrize("count", [0, 3, 1200, COUNT])
def test_an_answer_of_check_is_whole_or_visibly_broken(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch, count: int
) -> None:
    image = shelf.home / "disc.iso"
    words = ("check", image, "--json", "--target", "dos")
    assert is_whole(shelf.run(*words, code=1).stdout)
    each = documents.Each.__iter__
    monkeypatch.setattr(documents.Each, "__iter__", lambda one: after(count, each(one)))
    failed = shelf.run(*words, code=InputError.exit_code)
    assert not is_whole(failed.stdout)
    assert failed.stderr == "Error: disc.iso: Input/output error\n"
    # A little of it is not written before all of it is there.
    assert bool(failed.stdout) == (count > 1000)


@pytest.mark.parametrize("count", [0, 1, 2])
def test_so_is_one_of_show(shelf: Shelf, monkeypatch: pytest.MonkeyPatch, count: int) -> None:
    words = ("show", shelf.home / "disc.iso", "--json")
    assert is_whole(shelf.run(*words).stdout)
    folders = show_json.iter_folders
    monkeypatch.setattr(show_json, "iter_folders", lambda entries: after(count, folders(entries)))
    failed = shelf.run(*words, code=InputError.exit_code)
    assert not is_whole(failed.stdout)
    assert failed.stderr == "Error: disc.iso: Input/output error\n"


def test_every_beginning_of_a_document_is_refused_by_parsers(
    capsys: pytest.CaptureFixture[str],
) -> None:
    say_json(documents.document("x", rows=documents.Each(range(3)), last={"a": [1, {}]}))
    text = capsys.readouterr().out.rstrip()
    assert is_whole(text)
    assert not [end for end in range(len(text)) if is_whole(text[:end])]

"""One set of rules turns values into JSON. Own behaviour: README, "JSON"."""

from __future__ import annotations

import json
from collections import Counter
from datetime import UTC, datetime
from enum import Enum, StrEnum
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from msgspec import Struct

from mediashelf.cli.documents import chosen, document, plain
from mediashelf.findings import Finding, Severity


class State(StrEnum):
    SOUND = "sound"


class Way(Enum):
    BYTES = 3


class Part(NamedTuple):
    name: str
    where: Path


class Row(Struct, frozen=True):
    path: Path
    state: State
    parts: tuple[Part, ...] = ()

    @property
    def title(self) -> str:
        return f"{self.path}!"


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (None, None),
        (True, True),
        (7, 7),
        (1.5, 1.5),
        ("text", "text"),
        (State.SOUND, "sound"),
        (Way.BYTES, 3),
        (Severity.ERROR, "error"),
        (Path("a/b"), str(Path("a/b"))),
        (datetime(2026, 11, 25, 6, 0, tzinfo=UTC), "2026-11-25T06:00:00+00:00"),
        (b"\xe9t\xc3\xa9", "\udce9té"),
        ({"b", "a"}, ["a", "b"]),
        (Counter({State.SOUND: 2}), {"sound": 2}),
        ({Severity.NOTE: 1}, {"note": 1}),
        ((each for each in (1, 2)), [1, 2]),
        (Part("a", Path("b")), {"name": "a", "where": "b"}),
        (
            Row(Path("x"), State.SOUND, (Part("a", Path("b")),)),
            {"path": "x", "state": "sound", "parts": [{"name": "a", "where": "b"}]},
        ),
    ],
)
def test_values_become_plain(value: Any, expected: Any) -> None:
    answer = plain(value)
    assert answer == expected
    assert type(answer) is type(expected)
    json.dumps(answer)


def test_a_finding_has_the_documented_keys() -> None:
    assert plain(Finding("a-rule", Severity.WARNING, "/A", "is wrong", offset=5)) == {
        "rule": "a-rule",
        "severity": "warning",
        "where": "/A",
        "message": "is wrong",
        "remedy": "",
        "source": "",
        "found": "",
        "expected": "",
        "offset": 5,
        "length": None,
        "target": "",
    }


def test_a_value_without_a_form_is_refused() -> None:
    with pytest.raises(TypeError, match="object has no form in JSON"):
        plain({"key": object()})


def test_an_answer_begins_with_its_command_and_version() -> None:
    answer = document("find", hits=[chosen(Row(Path("x"), State.SOUND), "title", "state", of=1)])
    assert list(answer) == ["command", "version", "hits"]
    assert answer == {
        "command": "find",
        "version": 1,
        "hits": [{"title": "x!", "state": "sound", "of": 1}],
    }


def test_a_field_may_be_called_command() -> None:
    assert chosen(Row(Path("x"), State.SOUND), value="a", command="b") == {
        "value": "a",
        "command": "b",
    }

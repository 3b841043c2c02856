"""Processes that help: the same answers in the same order, whatever becomes of the processes."""

from __future__ import annotations

import os
import pickle
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from typing import Any

import pytest

from mediashelf import own_process
from mediashelf.errors import FormatError
from mediashelf.helping import processes
from mediashelf.helping.processes import Helpers

HOLD = """
import socket, sys

sys.held = socket.create_connection(("127.0.0.1", PORT))
"""
PARENT = """
import sys
from mediashelf.helping import processes

processes.processors = lambda: 2
with processes.Helpers("builtins:exec", work=2, enough=1) as helpers:
    list(helpers.answers([(sys.argv[1],)] * 2, exec))
    print("held", flush=True)
    sys.stdin.read()
"""


@pytest.fixture(autouse=True)
def two_processors(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(processes, "processors", lambda: 2)


def helpers(function: str, work: int = 2) -> Helpers[Any]:
    return Helpers(function, work=work, enough=1)


def test_answers_come_in_order_from_as_many_processes_as_there_are_processors() -> None:
    with helpers("operator:mul") as helping:
        numbers = range(200)
        answers = list(helping.answers(((n, 3) for n in numbers), lambda *_: None))
    assert answers == [3 * n for n in numbers]
    with helpers("os:getpid") as helping:
        found = set(helping.answers([()] * 8, os.getpid))
    assert len(found) == 2
    assert os.getpid() not in found


@pytest.mark.parametrize(("work", "most", "expected"), [(1, 8, 0), (2, 8, 2), (9, 8, 2), (9, 1, 0)])
def test_one_process_alone_would_be_no_help(work: int, most: int, expected: int) -> None:
    with Helpers[int]("os:getpid", work=work, enough=1, most=most) as helping:
        assert len(helping._children) == expected
        assert (os.getpid() in helping.answers([()], os.getpid)) is (expected == 0)


@pytest.mark.parametrize(("work", "expected"), [(1, 0), (2, 1), (9, 1)])
def test_where_this_process_does_its_share_there_is_one_less(work: int, expected: int) -> None:
    with Helpers[int]("os:getpid", work=work, enough=1, share=True) as helping:
        assert len(helping._children) == expected


def test_a_process_with_enough_questions_gets_no_more() -> None:
    with Helpers[None]("time:sleep", work=2, enough=1, share=True) as helping:
        asked = [helping.ask((0.5,), lambda: None, most_waiting=2) for _ in range(3)]
        assert [future is None for future in asked] == [False, False, True]


@pytest.mark.parametrize("program", ["no-python", ""])
def test_where_no_process_can_be_started_all_is_done_here(
    monkeypatch: pytest.MonkeyPatch, program: str
) -> None:
    with monkeypatch.context() as without:
        without.setattr(own_process.sys, "executable", program)
        with helpers("os:getpid") as helping:
            assert not helping
            assert list(helping.answers([()] * 3, os.getpid)) == [os.getpid()] * 3


def test_what_a_process_that_dies_has_not_answered_is_done_here() -> None:
    with helpers("os:_exit") as helping:
        assert list(helping.answers([(1,), (2,), (3,)] * 9, lambda code: -code)) == [-1, -2, -3] * 9
        assert not any(each.is_alive for each in helping._children)


@pytest.mark.parametrize("function", ["no.such:function", "mediashelf:no_function"])
def test_a_process_that_cannot_begin_is_not_missed(function: str) -> None:
    with helpers(function) as helping:
        assert list(helping.answers([(1,), (2,)], lambda number: number)) == [1, 2]


def test_what_is_printed_is_no_answer() -> None:
    with helpers("builtins:print") as helping:
        assert list(helping.answers([("words",)] * 2, lambda words: words)) == [None, None]


def test_an_answer_that_is_none_ends_that_process_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    def load(stream: Any) -> Any:
        raise ValueError("not what was agreed on")

    monkeypatch.setattr(pickle, "load", load)
    with helpers("operator:pos") as helping:
        assert list(helping.answers([(1,), (2,)], lambda number: -number)) == [-1, -2]


def test_an_answer_that_nobody_asked_for_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing tells which question each of its answers was for, so none is relied on."""
    values = iter([3, 4])

    def load(stream: Any) -> Any:
        stream.peek(1)  # waits for the answer that was asked for, and leaves it there
        return next(values)

    monkeypatch.setattr(pickle, "load", load)
    words = "one more than was asked for"
    with pytest.raises(FormatError, match=words), helpers("operator:pos") as helping:
        child = helping._children[0]
        asked = child.ask((3,), lambda: 0)
        assert asked is not None
        assert asked.result(30) == 3
        child._thread.join(30)
        with pytest.raises(FormatError, match=words):
            helping.ask((5,), lambda: 5)


def test_an_error_of_the_function_comes_to_whoever_asks() -> None:

    def refuse(number: int) -> float:
        raise ValueError(f"no root of {number}")

    with helpers("math:sqrt") as helping:
        answers = helping.answers([(4,), (-1,)], refuse)
        assert next(answers) == 2
        with pytest.raises(ValueError, match="no root of -1"):
            next(answers)


def test_ctrl_c_is_answered_to_by_the_process_that_asks() -> None:
    with helpers("signal:getsignal") as helping:
        assert list(helping.answers([(signal.SIGINT,)], signal.getsignal)) == [signal.SIG_IGN]


def test_no_process_is_left_where_the_work_is_broken_off() -> None:
    helping = helpers("time:sleep")
    with pytest.raises(KeyboardInterrupt), helping:
        helping.ask((60,), lambda: None)
        raise KeyboardInterrupt
    for each in helping._children:
        assert each._process.poll() is not None
        assert not each._thread.is_alive()


@pytest.fixture
def listener() -> Iterator[socket.socket]:
    with socket.create_server(("127.0.0.1", 0)) as listening:
        listening.settimeout(30)
        yield listening


def test_no_process_outlives_the_one_that_asks(listener: socket.socket) -> None:
    """Each holds a connection, which ends with it."""
    hold = HOLD.replace("PORT", str(listener.getsockname()[1]))
    with subprocess.Popen(
        [sys.executable, "-c", PARENT, hold], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as parent:
        assert parent.stdout is not None
        assert parent.stdout.readline().strip() == b"held"
        connections = [listener.accept()[0] for _ in range(2)]
        parent.kill()
    for connection in connections:
        with connection:
            connection.settimeout(30)
            assert connection.recv(1) == b""

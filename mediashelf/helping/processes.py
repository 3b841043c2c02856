"""The processes that help, from the side that asks them. Answers come as futures."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, wait
from contextlib import suppress
from functools import partial
from typing import TYPE_CHECKING, Any, Generic, Self, TypeVar

from mediashelf.errors import FormatError
from mediashelf.own_process import processors, start_module

if TYPE_CHECKING:
    import subprocess

_MOST_PROCESSES = 8
_TURN_SECONDS = 0.2
_AHEAD = 4  # questions a process

Answer = TypeVar("Answer")


class Helpers(Generic[Answer]):
    """Processes that call a function, named ``module:function``; use it in a ``with`` block.

    There is one a processor, as far as each has ``enough`` of the ``work`` that it takes
    longer than to start a process, and none where a second one would have nothing to do. Where
    this process does its ``share`` there is one less.
    """

    def __init__(
        self,
        function: str,
        *,
        work: int,
        enough: int,
        most: int = _MOST_PROCESSES,
        share: bool = False,
    ):
        count = min(processors(), most, work // enough)
        self._children: list[_Child[Answer]] = []
        with suppress(OSError):  # what cannot be started is not missed
            for _ in range(count - share if count > 1 else 0):
                self._children.append(_Child(start_module("mediashelf.helping.child", function)))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *raised: object) -> None:
        for child in self._children:
            child.stop()
        for child in self._children:
            child.join()
        if kind is None:
            self._refuse_unasked()

    def __bool__(self) -> bool:
        return bool(self._children)

    def ask(
        self,
        question: tuple[Any, ...],
        answer_here: Callable[[], Answer],
        most_waiting: int | None = None,
    ) -> Future[Answer] | None:
        """Have the function called with these arguments, None where there is no process for it.

        So it is where each has ``most_waiting`` questions. ``answer_here`` is called, in another
        thread, where the process came to a bad end.
        Raises :class:`FormatError` once one gave an answer that nobody asked for, as the end of
        the ``with`` block does.
        """
        self._refuse_unasked()
        alive = [child for child in self._children if child.is_alive]
        child = min(alive, key=lambda child: len(child.waiting), default=None)
        if child is None or (most_waiting is not None and len(child.waiting) >= most_waiting):
            return None
        return child.ask(question, answer_here)

    def _refuse_unasked(self) -> None:
        for child in self._children:
            if child.has_unasked:
                raise FormatError(
                    "answer of a helping process",
                    at=f"process {child.number}",
                    found="one more than was asked for",
                    expected="one to each question; run the command again",
                )

    def answers(
        self, questions: Iterable[tuple[Any, ...]], answer_here: Callable[..., Answer]
    ) -> Iterator[Answer]:
        """Yield what the function answers, in order; ``answer_here`` is the same function.

        Some questions are asked ahead; without processes each is answered when it is its turn.
        """
        begun: deque[Future[Answer] | Callable[[], Answer]] = deque()
        for question in questions:
            here = partial(answer_here, *question)
            begun.append(self.ask(question, here) or here)
            if len(begun) > _AHEAD * len(self._children):
                yield _taken(begun.popleft())
        yield from map(_taken, begun)


def _taken(begun: Future[Answer] | Callable[[], Answer]) -> Answer:
    return result_of(begun) if isinstance(begun, Future) else begun()


def result_of(future: Future[Answer]) -> Answer:
    """Wait in short turns: in Windows, Ctrl-C interrupts no wait for another thread.

    "threading", Lock objects: acquiring a lock is interrupted by signals on POSIX alone.
    """
    while not future.done():
        wait([future], timeout=_TURN_SECONDS)
    return future.result()


class _Child(Generic[Answer]):
    """One process, with the thread that takes its answers."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        self.is_alive = True
        self.has_unasked = False  # so that nobody knows which answer was to which question
        self.number = process.pid
        self.waiting: deque[tuple[Future[Answer], Callable[[], Answer]]] = deque()
        self._is_stopped = False
        self._lock = threading.Lock()
        self._process = process
        self._thread = threading.Thread(target=self._take_answers, daemon=True)
        self._thread.start()

    def ask(
        self, question: tuple[Any, ...], answer_here: Callable[[], Answer]
    ) -> Future[Answer] | None:
        from mediashelf.helping.child import send  # only where there is a process: start-up time

        assert self._process.stdin is not None
        future: Future[Answer] = Future()
        with self._lock:
            if not self.is_alive:
                return None
            self.waiting.append((future, answer_here))
        with suppress(OSError):  # the thread sees the end of the answers as well
            send(self._process.stdin, question)
        return future

    def stop(self) -> None:
        self._is_stopped = True
        self._process.kill()

    def join(self) -> None:
        self._thread.join()
        with suppress(OSError), self._process:  # which closes its pipes: nobody read all questions
            pass

    def _take_answers(self) -> None:
        import pickle

        assert self._process.stdout is not None
        while True:
            try:
                answer = pickle.load(self._process.stdout)
            except Exception:  # noqa: BLE001  # whatever it was, what it did not answer is done here
                break
            if not self.waiting:
                self.has_unasked = True
                break
            self.waiting.popleft()[0].set_result(answer)
            del answer  # which is the asker's alone while the next is waited for
        with self._lock:
            self.is_alive = False  # from now on nothing more is put there
        self._process.kill()  # where it lives, nobody would take what it says
        while self.waiting and not self._is_stopped:
            future, answer_here = self.waiting.popleft()
            try:
                future.set_result(answer_here())
            except BaseException as error:  # noqa: BLE001  # whoever asks for the result gets it
                future.set_exception(error)

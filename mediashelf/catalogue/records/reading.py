"""What is read from a catalogue file may have been damaged on its disk: it is not taken on trust.

SQLite notices damage to its own pages. Damage inside a value it cannot see: that shows
where the value is understood, and comes out as the same kind of error.
"""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Callable, Iterable
from functools import wraps
from types import UnionType
from typing import Any, ParamSpec, TypeVar
from weakref import WeakSet

from msgspec import Struct, field

Arguments = ParamSpec("Arguments")
Answer = TypeVar("Answer")


class ContentError(sqlite3.DatabaseError):
    """A value in the catalogue is not what the program writes there."""


class TransactionNotes(Struct):
    """What a transaction has asked or written: nobody else can change that while it lasts.

    ``indexed_to`` is the last name in the index, where others were written; ``last_name`` the
    last of all.
    """

    indexed_to: int | None = None
    last_name: int | None = None
    folder_ids: dict[str, int] = field(default_factory=dict)


def notes_of(db: sqlite3.Connection) -> TransactionNotes | None:
    """Return the notes of the transaction that is under way, None outside of one."""
    return db.notes if isinstance(db, CheckedConnection) else None


class CheckedConnection(sqlite3.Connection):
    """A connection whose errors are all SQLite's, and that is closed when it is closed.

    What SQLite says of a damaged schema quotes it, and may be no text for Python. A question
    that was not read to its end, which the frames of an error may keep, holds the file open
    (sqlite3_close_v2); so all of them are closed before. ``notes`` are those of the transaction
    that is under way.
    """

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._cursors: WeakSet[sqlite3.Cursor] = WeakSet()
        self.notes: TransactionNotes | None = None

    def close(self) -> None:
        """Close the connection and its file."""
        for cursor in list(self._cursors):
            cursor.close()
        super().close()

    def execute(self, *arguments: Any) -> sqlite3.Cursor:
        """Run one statement."""
        try:
            cursor = super().execute(*arguments)
        except UnicodeDecodeError as error:
            raise ContentError("the names of its tables are not valid text") from error
        if cursor.description is not None:  # others are at their end
            self._cursors.add(cursor)
        return cursor


_SIGNS_OF_DAMAGE = (
    ValueError,
    TypeError,
    LookupError,
    AttributeError,
    ArithmeticError,
    RecursionError,
    MemoryError,
    zlib.error,
)


def reads_catalogue(function: Callable[Arguments, Answer]) -> Callable[Arguments, Answer]:
    """Let a value that cannot be understood come out as :class:`ContentError`.

    For functions that only ask the catalogue and build values from the answer.
    """

    @wraps(function)
    def reading(*arguments: Arguments.args, **options: Arguments.kwargs) -> Answer:
        try:
            return function(*arguments, **options)
        except _SIGNS_OF_DAMAGE as error:
            raise ContentError(f"a value is not valid ({type(error).__name__})") from error

    return reading


def algorithms_on_record(digests: Iterable[str]) -> tuple[str, ...]:
    """Return the names of digests on record; raises :class:`ContentError` for an unknown one."""
    from mediashelf.integrity.fixity.digests import ALGORITHMS  # not needed for most questions

    names = tuple(digests)
    for name in names:
        if name not in ALGORITHMS:
            raise ContentError(f"no digest is called {name!r}")
    return names


def require_types(values: Iterable[object], kinds: Iterable[type | UnionType]) -> None:
    """Raise :class:`ContentError` unless each value is of its kind."""
    for value, kind in zip(values, kinds, strict=True):
        if not isinstance(value, kind):
            raise ContentError(f"a value is not valid ({type(value).__name__})")


def require_kind(column: Iterable[object], kind: type | UnionType) -> None:
    """Raise :class:`ContentError` unless every value of a long column is of this kind."""
    for found in set(map(type, column)):
        if not issubclass(found, kind):
            raise ContentError(f"a value is not valid ({found.__name__})")

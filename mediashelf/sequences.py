"""Sequences whose values are made when they are asked for."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Iterator, Sequence
from typing import TypeVar, overload

_Value = TypeVar("_Value", covariant=True)


class MadeSequence(Sequence[_Value]):
    """A sequence of which one value can be made without the others."""

    __slots__ = ()

    @abstractmethod
    def make(self, place: int) -> _Value:
        """Return the value at a place, counted from 0."""

    def __iter__(self) -> Iterator[_Value]:
        return map(self.make, range(len(self)))

    @overload
    def __getitem__(self, index: int) -> _Value: ...

    @overload
    def __getitem__(self, index: slice) -> list[_Value]: ...

    def __getitem__(self, index: int | slice) -> _Value | list[_Value]:
        places = range(len(self))[index]
        return self.make(places) if isinstance(places, int) else list(map(self.make, places))


class Shifted(MadeSequence[int]):
    """Numbers that all have another one added to them, when they are asked for."""

    __slots__ = ("_numbers", "_shift")

    def __init__(self, numbers: Sequence[int], shift: int) -> None:
        self._numbers, self._shift = numbers, shift

    def __len__(self) -> int:
        return len(self._numbers)

    def __iter__(self) -> Iterator[int]:
        return map(self._shift.__add__, self._numbers)

    def make(self, place: int) -> int:
        return self._shift + self._numbers[place]

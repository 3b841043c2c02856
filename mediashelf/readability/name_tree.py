"""One tree of names of a disc, with what many rules ask about it; nothing here reads the image."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from itertools import compress
from typing import TYPE_CHECKING

from mediashelf.formats.entries import Folder, iter_folders
from mediashelf.formats.volume import Entry, VolumeFacts
from mediashelf.readability.file_places import FilePlaces
from mediashelf.text import same_case

if TYPE_CHECKING:
    from functools import cached_property as cached_property
else:

    class cached_property:
        """The same without the lock that Python 3.11 takes: one thread judges a disc."""

        def __init__(self, function):
            self._function, self.__doc__ = function, function.__doc__

        def __set_name__(self, owner, name):
            self._name = name

        def __get__(self, value, owner=None):
            answer = value.__dict__[self._name] = self._function(value)
            return answer


_BEGINNING = 3  # letters by which most names are known not to be a device's
_MUCH = 4096  # characters
_TEXT = 1 << 18


class NameTree:
    """One naming tree; what several rules need of it is worked out once, by whole columns."""

    def __init__(self, volume: VolumeFacts) -> None:
        self.volume = volume
        self.kind = volume.kind
        self.entries = volume.entries
        self.caps: dict[int, int] = {}

    def let_go(self) -> None:
        """Forget what was worked out; whoever makes a finding has it worked out again."""
        kept = ("volume", "kind", "entries", "caps")
        self.__dict__ = {name: self.__dict__[name] for name in kept}

    @cached_property
    def folders(self) -> list[Folder]:
        """The entries folder by folder, as columns."""
        return list(iter_folders(self.entries))

    @cached_property
    def names(self) -> list[str]:
        """The last part of every entry's path, in the order of the entries."""
        return [name for folder in self.folders for name in folder.names]

    def named(self, is_wanted: Callable[[str], bool]) -> Iterator[tuple[Entry, str]]:
        """Yield the entries with such names, and these; made folder by folder, and not kept."""
        for folder in self.folders:
            names = folder.names
            wanted = [at for at, name in enumerate(names) if is_wanted(name)]
            if len(wanted) * 4 < len(names):
                yield from ((folder.entry(at), names[at]) for at in wanted)
            else:
                entries = folder.entries()
                yield from ((entries[at], names[at]) for at in wanted)

    def iter_entries(self) -> Iterator[Entry]:
        """Yield every entry, made folder by folder, and not kept."""
        for folder in self.folders:
            yield from folder.entries()

    @cached_property
    def texts(self) -> list[str]:
        """Every name between two ``/``, which are in none: texts to search, of a bounded size."""
        texts, waiting, size = [], ["/"], 0
        for folder in self.folders:
            waiting.append("/".join(folder.names))
            waiting.append("/")
            size += len(waiting[-2])
            if size > _TEXT:
                texts.append("".join(waiting))
                waiting, size = ["/"], 0
        texts.append("".join(waiting))
        return texts

    @cached_property
    def directory_names(self) -> list[str]:
        """The names of directories alone."""
        return [name for each in self.folders for name in compress(each.names, each.are_folders)]

    @cached_property
    def stems(self) -> list[str]:
        """The names in capitals up to their first dot, without spaces at its end."""
        return list(map(stem_of, self.names))

    @cached_property
    def _known_stems(self) -> frozenset[str]:
        return frozenset(self.stems)

    def stems_among(self, words: tuple[str, ...]) -> frozenset[str]:
        """Return those of the words that are stems; most discs have none, and few that look so."""
        is_possible = self._capitals.issuperset
        likely = [each for each in _beginnings(words) if is_possible(each)]
        marks = [f"/{each}" for each in likely]
        if marks and any(mark in text for text in map(str.upper, self.texts) for mark in marks):
            return self._known_stems.intersection(words)
        return frozenset()

    @cached_property
    def alphabet(self) -> frozenset[str]:
        """Every character that is in some name: most discs break few rules about characters."""
        return frozenset().union(*map(_letters, self.texts)) - {"/"}

    @cached_property
    def _capitals(self) -> frozenset[str]:
        return frozenset("".join(self.alphabet).upper())

    @cached_property
    def longest_name(self) -> int:
        """The length of the longest name in characters."""
        return max(map(len, self.names), default=0)

    @cached_property
    def deepest(self) -> int:
        """The number of parts of the longest path."""
        return max((folder.path.count("/") + 1 for folder in self.folders), default=0)

    @cached_property
    def longest_path(self) -> int:
        """The length of the longest path in characters."""
        lengths = [len(each.path) + 1 + max(map(len, each.names)) for each in self.folders]
        return max(lengths, default=0)

    @cached_property
    def largest(self) -> int:
        """The size of the largest entry."""
        return max((max(folder.sizes) for folder in self.folders), default=0)

    @cached_property
    def has_equal_paths(self) -> bool:
        """Whether some path names more than one entry."""
        if len({folder.path for folder in self.folders}) == len(self.folders):
            return any(len(set(folder.names)) < len(folder.names) for folder in self.folders)
        return len({path for each in self.folders for path in each.iter_paths()}) < len(
            self.entries
        )

    @cached_property
    def has_paths_equal_but_for_case(self) -> bool:
        """Whether some paths differ in nothing but case, if in anything."""
        if all(text.upper() == text for text in self.texts):
            return self.has_equal_paths
        paths = [same_case(folder.path) for folder in self.folders]
        if len(set(paths)) == len(paths):
            return any(
                len(set(map(same_case, folder.names))) < len(folder.names)
                for folder in self.folders
            )
        every = (same_case(path) for each in self.folders for path in each.iter_paths())
        return len(set(every)) < len(self.entries)

    @cached_property
    def is_ascending(self) -> bool:
        """Whether records are surely in order: in each directory by name, then by extension."""
        # Zero sorts before every character of a name, as the end of a shorter one does.
        is_apart = len({folder.path for folder in self.folders}) < len(self.folders)
        if is_apart or self.has_equal_paths or "\0" in self.alphabet:
            return False
        for folder in self.folders:
            keys = [name.replace(".", "\0", 1) for name in folder.names]
            if keys != sorted(keys):
                return False
        return True

    @cached_property
    def places(self) -> FilePlaces:
        """Where the contents of the files begin."""
        return FilePlaces(self.folders)

    def files_at(self, place: int) -> list[Entry]:
        """Return every file whose contents start at this block."""
        return [self.entries[number] for number in self.places.numbers_at(place)]


def _letters(text: str) -> frozenset[str]:
    if len(text) > _MUCH and text.isascii():
        rest, text = text.encode("ascii"), "/"
        while rest:  # after a few names hardly anything is left that is new
            text += bytes(set(rest[:_MUCH])).decode("ascii")
            rest = rest.translate(None, text.encode("ascii"))
    return frozenset(text)


@cache
def _beginnings(words: tuple[str, ...]) -> frozenset[str]:
    return frozenset(word[:_BEGINNING] for word in words)


def stem_of(name: str) -> str:
    """Return a name in capitals up to its first dot, without spaces at its end."""
    return name.partition(".")[0].rstrip(" ").upper()

"""One tree of names of a disc, with what many rules ask about it; nothing here reads the image."""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterator
from functools import cache
from itertools import compress
from typing import TYPE_CHECKING, Any

from mediashelf.formats.entries import Folder, iter_folders
from mediashelf.formats.volume import Entry, VolumeFacts
from mediashelf.readability.content_places import IS_FOLDER, content_places
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


class NameTree:
    """One naming tree; what several rules need of it is worked out once, by whole columns."""

    def __init__(self, volume: VolumeFacts) -> None:
        self.volume = volume
        self.kind = volume.kind
        self.entries = volume.entries
        self.caps: dict[int, int] = {}
        self.hits: dict[object, Any] = {}
        """What rules have found in it, as :mod:`.rule_types` remembers it."""

    def let_go(self) -> None:
        """Forget what was worked out; whoever makes a finding has it worked out again."""
        kept = ("volume", "kind", "entries", "caps", "hits")
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
    def joined_names(self) -> str:
        """Every name with a ``/``, which is in none, after it: one text to search."""
        return "".join([f"{'/'.join(folder.names)}/" for folder in self.folders])

    @cached_property
    def directory_names(self) -> list[str]:
        """The names of directories alone."""
        return [name for each in self.folders for name in compress(each.names, each.are_folders)]

    @cached_property
    def stems(self) -> list[str]:
        """The names in capitals up to their first dot, without spaces at its end."""
        return list(map(stem_of, self.names))

    @cached_property
    def _joined_capitals(self) -> str:
        return f"/{self.joined_names.upper()}"

    @cached_property
    def _known_stems(self) -> frozenset[str]:
        return frozenset(self.stems)

    def stems_among(self, words: tuple[str, ...]) -> frozenset[str]:
        """Return those of the words that are stems; most discs have none, and few that look so."""
        is_possible = self._capitals.issuperset
        likely = [each for each in _beginnings(words) if is_possible(each)]
        if any(f"/{each}" in self._joined_capitals for each in likely):
            return self._known_stems.intersection(words)
        return frozenset()

    @cached_property
    def alphabet(self) -> frozenset[str]:
        """Every character that is in some name: most discs break few rules about characters."""
        text = self.joined_names
        if len(text) > _MUCH and text.isascii():
            rest, text = text.encode("ascii"), "/"
            while rest:  # after a few names hardly anything is left that is new
                text += bytes(set(rest[:_MUCH])).decode("ascii")
                rest = rest.translate(None, text.encode("ascii"))
        return frozenset(text) - {"/"}

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
        if self._joined_capitals[1:] == self.joined_names:
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
    def places(self) -> array[int]:
        """The block where each entry starts, if it is a file; NO_PLACE without contents."""
        places = array("q")
        for folder in self.folders:
            places.extend(iter(content_places(folder)))  # which may be of another kind
        return places

    @cached_property
    def _file_at(self) -> dict[int, int]:
        return dict(zip(self.places, range(len(self.places)), strict=True))

    @cached_property
    def shared_places(self) -> dict[int, list[int]]:
        """The files that start at a block, for each block where several do."""
        once: set[int] = set()
        several: dict[int, list[int]] = {}
        for place in self.places:
            if place in once:
                several[place] = []
            else:
                once.add(place)
        several.pop(IS_FOLDER, None)
        for number, place in enumerate(self.places) if several else ():
            if place in several:
                several[place].append(number)
        return several

    def files_at(self, place: int) -> list[Entry]:
        """Return every file whose contents start at this block."""
        return [self.entries[number] for number in self.numbers_at(place)]

    def numbers_at(self, place: int) -> list[int]:
        """Return the numbers of the same files."""
        numbers = self.shared_places.get(place)
        if numbers is None:
            numbers = [self._file_at[place]] if place in self._file_at else []
        return numbers


@cache
def _beginnings(words: tuple[str, ...]) -> frozenset[str]:
    return frozenset(word[:_BEGINNING] for word in words)


def stem_of(name: str) -> str:
    """Return a name in capitals up to its first dot, without spaces at its end."""
    return name.partition(".")[0].rstrip(" ").upper()

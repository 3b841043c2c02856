"""Find the units of a listing: by INFs, by what a recipe declares, by what needs what."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from operator import attrgetter, itemgetter

from msgspec import Struct, field

from mediashelf.building.planning.listing import Listing
from mediashelf.building.recipes.recipe import SourceFolder
from mediashelf.building.sources.reading import read_start
from mediashelf.building.spread.units import Parts, Placed, Unit
from mediashelf.building.tree import DiscFile, DiscFolder
from mediashelf.formats.inf.document import InfKind, parse_inf

INF_HEAD = 256 << 10
"""Bytes of an INF that are read to see what it is; its first sections tell."""


def find_units(
    listing: Listing,
    sources: Sequence[SourceFolder],
    *,
    together: Iterable[Collection[str]] = (),
    kinds: Mapping[str, InfKind] | None = None,
) -> list[Unit]:
    """Return the units of a listing in their order.

    Each of ``together`` names files, by their paths under the names of the host, whose
    units are to be one. ``kinds`` tells of INFs, by such paths, what they are. Others are
    read to tell them from other texts of that name; raises :class:`BuildError` for one
    that cannot be.
    """
    pieces = list(_UnitFinder(sources, kinds or {}).pieces(listing.root))
    joined = _Joined(len(pieces))
    of_origin: dict[int, int] = {}
    for number, piece in enumerate(pieces):
        for origin in {file.origin for file in piece.iter_files()}:
            if sources[origin].is_one_package:
                joined.join(number, of_origin.setdefault(origin, number))
    for numbers in _numbers_together(listing, pieces, together):
        for number in numbers[1:]:
            joined.join(numbers[0], number)
    declared = {joined.leader(number) for number in of_origin.values()}
    units = [
        _merged([pieces[number] for number in group], is_declared=leader in declared)
        for leader, group in joined.groups().items()
    ]
    return sorted(units, key=lambda unit: unit.sequence)


def _numbers_together(
    listing: Listing, pieces: Sequence[Unit], together: Iterable[Collection[str]]
) -> Iterator[list[int]]:
    """Yield the numbers of the pieces that hold the files of each group, where it has several."""
    groups = [paths for paths in together if len(paths) > 1]
    if not groups:
        return
    files = {path: listing.find(path) for paths in groups for path in paths}
    wanted = {id(file) for file in files.values()}
    piece_of = {
        id(file): number
        for number, piece in enumerate(pieces)
        for file in piece.iter_files()
        if id(file) in wanted
    }
    for paths in groups:
        yield [piece_of[id(files[path])] for path in paths if files[path] is not None]


_Key = tuple[int, int]  # the order, and the origin of what is declared to be one


class _Look(Struct):
    """What is below a folder, itself included."""

    keys: set[_Key] = field(default_factory=set)
    has_inf: bool = False


class _UnitFinder:
    """Takes a tree apart at the borders of packages, declarations left aside."""

    def __init__(self, sources: Sequence[SourceFolder], kinds: Mapping[str, InfKind]) -> None:
        self._sources = sources
        self._kinds = kinds
        self._looks: dict[int, _Look] = {}
        self._holds_inf: dict[int, bool] = {}

    def pieces(self, root: DiscFolder) -> Iterator[Unit]:
        self._look_at_all(root)
        waiting: list[tuple[Parts, DiscFolder]] = [((), root)]
        while waiting:
            parts, folder = waiting.pop()
            look = self._looks[id(folder)]
            if self._holds_inf[id(folder)]:
                yield self._whole(parts, folder, is_package=True)
            elif not look.has_inf and len(look.keys) <= 1:
                yield self._whole(parts, folder, is_package=False)
            else:
                yield from self._files_of(parts, folder)
                waiting += (((*parts, name), below) for name, below in folder.folders.items())

    def _look_at_all(self, root: DiscFolder) -> None:
        """Look at every folder, those below before those above."""
        for path, folder in reversed(list(_iter_with_paths(root))):
            look = self._looks[id(folder)] = _Look()
            for below in folder.folders.values():
                look.keys |= self._looks[id(below)].keys
                look.has_inf |= self._looks[id(below)].has_inf
            look.keys |= {self._key(file) for file in folder.files.values()}
            holds_inf = any(
                self._kind(f"{path}/{name}", file) is not InfKind.OTHER
                for name, file in folder.files.items()
                if name.lower().endswith(".inf")
            )
            self._holds_inf[id(folder)] = holds_inf
            look.has_inf |= holds_inf

    def _kind(self, path: str, file: DiscFile) -> InfKind:
        return self._kinds.get(path) or parse_inf(read_start(file.own, INF_HEAD)).kind

    def _key(self, file: DiscFile) -> _Key:
        source = self._sources[file.origin]
        return source.order, file.origin if source.is_one_package else -1

    def _whole(self, parts: Parts, folder: DiscFolder, *, is_package: bool) -> Unit:
        """Return everything below a folder as one unit."""
        placed: dict[Parts, list[DiscFile]] = {}
        folders: list[Parts] = []
        waiting = [(parts, folder)]
        while waiting:
            path, one = waiting.pop()
            folders.append(path)
            placed[path] = list(one.files.values())
            waiting += (((*path, name), below) for name, below in one.folders.items())
        return self._unit(parts, placed, folders, is_package)

    def _files_of(self, parts: Parts, folder: DiscFolder) -> Iterator[Unit]:
        groups: defaultdict[_Key, list[DiscFile]] = defaultdict(list)
        for file in folder.files.values():
            groups[self._key(file)].append(file)
        for files in groups.values():
            yield self._unit(parts, {parts: files}, [], False)

    def _unit(
        self,
        top: Parts,
        placed: Mapping[Parts, list[DiscFile]],
        folders: list[Parts],
        is_package: bool,
    ) -> Unit:
        origins = {file.origin for files in placed.values() for file in files}
        return Unit(
            top,
            min((self._sources[origin].order for origin in origins), default=0),
            min(origins, default=0),
            _sorted(placed),
            tuple(sorted(folders)),
            is_package,
        )


def _iter_with_paths(root: DiscFolder) -> Iterator[tuple[str, DiscFolder]]:
    """Yield every folder with its path, parents before children."""
    waiting = [("", root)]
    while waiting:
        path, folder = waiting.pop()
        yield path, folder
        waiting += ((f"{path}/{name}", below) for name, below in folder.folders.items())


def _sorted(placed: Mapping[Parts, list[DiscFile]]) -> tuple[Placed, ...]:
    by_name = attrgetter("name")
    return tuple(
        Placed(folder, tuple(sorted(files, key=by_name)))
        for folder, files in sorted(placed.items(), key=itemgetter(0))
        if files
    )


def _merged(pieces: list[Unit], *, is_declared: bool) -> Unit:
    if len(pieces) == 1 and not is_declared:
        return pieces[0]
    top = pieces[0].top
    for piece in pieces[1:]:
        common = 0
        while common < min(len(top), len(piece.top)) and top[common] == piece.top[common]:
            common += 1
        top = top[:common]
    placed: defaultdict[Parts, list[DiscFile]] = defaultdict(list)
    for folder, files in (each for piece in pieces for each in piece.placed):
        placed[folder] += files
    return Unit(
        top,
        min(piece.order for piece in pieces),
        min(piece.origin for piece in pieces),
        _sorted(placed),
        tuple(sorted(folder for piece in pieces for folder in piece.folders)),
        True,
        tuple(sorted(pieces, key=lambda piece: piece.sequence)),
    )


class _Joined:
    """Numbers that belong together, however they were joined."""

    def __init__(self, count: int) -> None:
        self._leaders = list(range(count))

    def leader(self, number: int) -> int:
        """Return the number that stands for the whole group."""
        while self._leaders[number] != number:
            self._leaders[number] = self._leaders[self._leaders[number]]
            number = self._leaders[number]
        return number

    def join(self, one: int, other: int) -> None:
        """Put two groups together; the lower leader stays."""
        low, high = sorted((self.leader(one), self.leader(other)))
        self._leaders[high] = low

    def groups(self) -> dict[int, list[int]]:
        """Return the members of each group by its leader."""
        groups: defaultdict[int, list[int]] = defaultdict(list)
        for number in range(len(self._leaders)):
            groups[self.leader(number)].append(number)
        return dict(groups)

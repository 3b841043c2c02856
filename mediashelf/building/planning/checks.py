"""What is wrong with a planned disc, whoever is to read it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import cached_property

from mediashelf.building.naming.characters import folded, same_text
from mediashelf.building.naming.layout import MAX_DIRECTORIES, MINIMUM_SECTORS, Layout
from mediashelf.building.naming.names import Label
from mediashelf.building.naming.trees import MAX_LEVELS, NamedTrees
from mediashelf.building.recipes.capacity import Capacity
from mediashelf.building.tree import DiscFile
from mediashelf.findings import Finding, FindingRun, Severity, iter_runs
from mediashelf.formats.iso.directories.directory_reading import DEFAULT_LIMITS
from mediashelf.text import count_text

MAX_FILE = 0xFFFF_FFFF
"""Bytes of one file section (ECMA-119 9.1.4); at level 1 a file is one section (10.1)."""


def check_layout(layout: Layout, capacity: Capacity) -> Iterator[Finding]:
    """Yield what the disc as a whole breaks: its capacity, its count of folders, its least size."""
    if layout.used_sectors > capacity.sectors:
        over = layout.used_sectors - capacity.sectors
        yield Finding(
            "over-capacity",
            Severity.ERROR,
            "/",
            f"the disc is {count_text(over, 'sector')} larger than {capacity.name} holds",
            "leave something out, split the folders over two discs, or name a larger capacity",
            capacity.source,
            found=f"{layout.used_sectors:,} sectors",
            expected=f"at most {capacity.sectors:,} sectors",
        )
    folder_count = len(layout.iso)
    if folder_count > MAX_DIRECTORIES:
        yield Finding(
            "too-many-folders",
            Severity.ERROR,
            "/",
            "a path table numbers its folders with 16 bits, and this disc has more",
            "split the folders over several discs",
            "ECMA-119 9.4.4",
            found=f"{folder_count:,} folders",
            expected=f"at most {MAX_DIRECTORIES:,}",
        )
    for what in _beyond_reader(layout):
        yield Finding(
            "beyond-reading-back",
            Severity.ERROR,
            "/",
            f"{what}, and that is where the reader stops that a finished disc must pass",
            "split the folders over several discs",
        )
    if layout.used_sectors < MINIMUM_SECTORS:
        yield Finding(
            "padded-to-minimum",
            Severity.NOTE,
            "/",
            f"the disc needs {count_text(layout.used_sectors, 'sector')} and is padded with "
            f"zeros to {MINIMUM_SECTORS}, because an emulated drive rejects anything smaller",
            "",
            "Linux mass-storage function, storage_common.c: 300 frames are the smallest track",
        )


def _beyond_reader(layout: Layout) -> Iterator[str]:
    """Yield what our own reader would not read to its end: known now, it is not written first."""
    limits = DEFAULT_LIMITS
    if max(sum(len(one.items) for one in tree) for tree in (layout.iso, layout.joliet)) >= (
        limits.entries
    ):
        yield f"the disc has {limits.entries:,} files and folders or more"
    size = max((one.size for one in (*layout.iso, *layout.joliet)), default=0)
    if size > limits.directory_size:
        yield f"the records of one folder have {size:,} bytes, over {limits.directory_size:,}"
    paths = [one.path for one in layout.joliet]
    if any(path.count("/") >= limits.depth for path in paths):
        yield f"a folder is {limits.depth} levels deep or more"
    if any(len(path) > limits.path_characters for path in paths):
        yield f"the path of a folder has over {limits.path_characters:,} characters"
    if sum((len(one.path) + 1) * len(one.items) for one in layout.joliet) > limits.text_characters:
        yield f"all paths together have over {limits.text_characters:,} characters"


def check_files(files: Iterable[DiscFile], trees: NamedTrees) -> Iterator[FindingRun]:
    """Yield files that are too large, and names that could not stay what they were."""
    folders = _FoldedFolders(trees)
    nothing = True
    renamed = _Renamed()
    for file in files:
        nothing = False
        if file.own.size > MAX_FILE:
            if renamed.names:
                yield _names_changed(len(renamed.names), renamed.get, folders)
                renamed = _Renamed()
            yield from iter_runs([_too_large(file)])
        if not same_text(file.name, file.long_name):
            renamed.add(file)
    if renamed.names:
        yield _names_changed(len(renamed.names), renamed.get, folders)
    moved = [
        (name, directory.path)
        for directory in trees.joliet.iter_level_by_level()
        for name in [directory.folder.name]
        if directory.parent is not None and not same_text(name, directory.path.rpartition("/")[2])
    ]
    if moved:
        yield _names_changed(len(moved), moved.__getitem__, folders)
    if nothing:
        found = Finding(
            "nothing-on-disc",
            Severity.WARNING,
            "/",
            "the source folders hold no files",
            "check that these are the right folders",
        )
        yield from iter_runs([found])


class _Renamed:
    """Files whose names changed, as columns: who keeps findings need not keep the files."""

    def __init__(self) -> None:
        self.names: list[str] = []
        self._folders: list[str] = []
        self._long_names: list[str] = []

    def add(self, file: DiscFile) -> None:
        self.names.append(file.name)
        self._folders.append(file.long_folder)
        self._long_names.append(file.long_name)

    def get(self, at: int) -> tuple[str, str]:
        """Return the name on the host, and the path in the Joliet tree."""
        return self.names[at], f"{self._folders[at]}/{self._long_names[at]}"


def _too_large(file: DiscFile) -> Finding:
    return Finding(
        "file-too-large",
        Severity.ERROR,
        file.long_path,
        "a file of 4 GiB or more needs several sections; interchange level 1 allows one",
        "split the file, or copy it some other way",
        "ECMA-119 9.1.4 and 10.1",
        found=f"{file.own.size:,} bytes",
        expected=f"at most {MAX_FILE:,} bytes",
    )


class _FoldedFolders:
    """The long names of folders by themselves folded; put together for whoever asks."""

    def __init__(self, trees: NamedTrees) -> None:
        self._names = [(each.path, each.names) for each in trees.joliet.iter_level_by_level()]
        self._last: tuple[str, dict[str, str]] = "", {}

    @cached_property
    def _by_path(self) -> dict[str, list[tuple[str, list[str]]]]:
        found: dict[str, list[tuple[str, list[str]]]] = {}
        for path, names in self._names:
            found.setdefault(folded(path), []).append((path, names))
        return found

    def holder(self, above: str, name: str) -> str | None:
        """Return the path of what is in a folder under this name, letter case aside."""
        above = folded(above)
        if self._last[0] != above or not self._last[1]:
            names = {
                folded(each): f"{path}/{each}"
                for path, named in self._by_path.get(above, ())
                for each in named
            }
            self._last = above, names
        return self._last[1].get(folded(name))


def _names_changed(
    count: int, get: Callable[[int], tuple[str, str]], folders: _FoldedFolders
) -> FindingRun:
    """Return the findings that names changed, made for whoever asks: it may be every file's."""
    return FindingRun(
        "long-name-changed",
        Severity.WARNING,
        "",
        count,
        lambda at: _name_changed(*get(at), folders),
    )


def _name_changed(host_name: str, long_path: str, folders: _FoldedFolders) -> Finding:
    """Return the finding that a name changed."""
    above, _, long_name = long_path.rpartition("/")
    holder = folders.holder(above, host_name)
    reason = "is not allowed on a disc"
    if holder is not None and holder != long_path:
        reason = f"differs only in case from {holder.rpartition('/')[2]!r}"
    return Finding(
        "long-name-changed",
        Severity.WARNING,
        long_path,
        f"the name {host_name!r} {reason}; it becomes {long_name!r}",
        "rename it if something looks for it by this name",
        "Joliet, Allowed Character Set; Win32 file naming",
        found=host_name,
        expected=long_name,
    )


def check_depth(trees: NamedTrees) -> Iterator[Finding]:
    """Yield the folders that the ISO tree cannot hold where they belong."""
    for directory in trees.moved:
        yield Finding(
            "moved-for-depth",
            Severity.WARNING,
            trees.long_path(directory),
            f"nested deeper than ISO 9660 allows; in the ISO tree it is {directory.path}, with its "
            "contents",
            f"move it up so that files are at most {MAX_LEVELS - 2} folders deep",
            "ECMA-119 6.8.2.1",
        )


def check_label(wanted: str, label: Label) -> Iterator[Finding]:
    """Yield the labels that are not the one wanted; capitals alone do not count."""
    kept = [
        (label.short, "in the ISO tree", "at most 32 of A-Z 0-9 _", "ECMA-119 8.4.6 and 7.4.1"),
        (label.long, "in the Joliet tree", "at most 16 characters", "the same field in UCS-2"),
    ]
    for text, place, form, source in kept:
        if not same_text(text.upper(), wanted.upper()):
            yield Finding(
                "label-changed",
                Severity.NOTE,
                "/",
                f"the label {wanted!r} becomes {text!r} {place}",
                "choose a shorter or plainer label, if this one is not good enough",
                source,
                found=wanted,
                expected=form,
            )

"""Rules about places: depth, lengths of paths, order of records, names that clash."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from mediashelf.findings import Severity
from mediashelf.formats.volume import FLAG_ASSOCIATED, Entry, VolumeKind
from mediashelf.readability.limits import Limit
from mediashelf.readability.name_tree import NameTree
from mediashelf.readability.rule_types import Rule, RuleHit, at_entry, in_tree
from mediashelf.readability.rules.letters import units
from mediashelf.text import count_text, same_case

DRIVE = "D:"
"""What stands before a path where a limit counts the drive too: one letter and a colon."""


def depth(tree: NameTree, limit: Limit) -> Iterator[RuleHit]:
    """Directories below the last level that is read; what is in them is only counted."""
    deepest = limit.number()
    if tree.deepest < deepest:
        return
    inside: Counter[str] = Counter()
    for folder in tree.folders:
        if folder.path.count("/") >= deepest:
            inside[_at_level(folder.path, deepest)] += len(folder.names)
    last = (folder for folder in tree.folders if folder.path.count("/") == deepest - 1)
    for entry in (one for folder in last if folder.has_folders for one in folder.entries()):
        if entry.is_directory:
            beneath = count_text(inside[entry.path], "entry", "entries")
            yield at_entry(
                entry,
                f"the directory is on level {entry.depth}, with {beneath} in it",
                entry.depth,
                f"at most level {deepest}, where the root is level 1",
            )


def path_length(tree: NameTree, limit: Limit) -> Iterator[RuleHit]:
    """Paths that are too long with a drive letter and a colon before them."""
    most = limit.number()
    if tree.longest_path * 2 + len(DRIVE) <= most:
        return
    for entry in _in_long_folders(tree, (most - len(DRIVE)) // 2):
        length = units(entry.path) + len(DRIVE)
        if length > most:
            yield at_entry(
                entry,
                f"the path has {length} characters with its drive",
                length,
                f"at most {most} with drive and colon",
            )


def folder_path_length(tree: NameTree, limit: Limit) -> Iterator[RuleHit]:
    """Directories with paths that are too long; not those inside of such a directory."""
    most = limit.number()
    if tree.longest_path <= most:
        return
    for entry in _in_long_folders(tree, most):
        length = len(entry.path)
        if entry.is_directory and length > most >= len(entry.parent):
            yield at_entry(
                entry,
                f"the directory's path has {length} characters",
                length,
                f"at most {most} without the drive",
            )


def joliet_path_size(tree: NameTree, limit: Limit) -> Iterator[RuleHit]:
    """Paths that take too many bytes of UCS-2."""
    most = limit.number()
    if tree.longest_path * 4 <= most:
        return
    for entry in _in_long_folders(tree, most // 4):
        size = 2 * units(entry.path)
        if size > most:
            yield at_entry(
                entry, f"the path takes {size:,} bytes of UCS-2", size, f"at most {most:,} bytes"
            )


def record_order(tree: NameTree, _limit: Limit) -> Iterator[RuleHit]:
    """One hit for each directory whose records are not in ascending order of their names.

    The order is that of ECMA-119 9.3 by ASCII codes: names first, a shorter one
    as if filled with spaces, then extensions. Versions are not compared.
    """
    if tree.is_ascending:
        return
    last: dict[str, tuple[str, str]] = {}
    reported: set[str] = set()
    for entry, name in zip(tree.iter_entries(), tree.names, strict=True):
        directory = entry.path[: -len(name) - 1] if name else entry.parent
        base, _, extension = name.partition(".")
        key = (base, extension)
        if key < last.get(directory, key) and directory not in reported:
            reported.add(directory)
            before = ".".join(part for part in last[directory] if part)
            yield at_entry(
                entry,
                f'"{name}" comes after "{before}" in its directory',
                name,
                "records in ascending order",
            )._replace(where=directory or "/")
        last[directory] = key


def distinct(tree: NameTree, _limit: Limit) -> Iterator[RuleHit]:
    """Entries whose whole path another entry has already.

    An associated file (ECMA-119 9.1.6) has the path of the file it belongs to.
    """
    if not tree.has_equal_paths:
        return
    seen: set[str] = set()
    for entry in tree.iter_entries():
        if entry.flags & FLAG_ASSOCIATED:
            continue
        if entry.path in seen:
            yield at_entry(
                entry, "two entries have this path, and only one can be opened", entry.path
            )
        seen.add(entry.path)


def distinct_ignoring_case(tree: NameTree, _limit: Limit) -> Iterator[RuleHit]:
    """Entries of one directory whose names differ only in case."""
    if not tree.has_paths_equal_but_for_case:
        return
    seen: dict[tuple[str, str], Entry] = {}
    for entry in tree.iter_entries():
        first = seen.setdefault((entry.parent, same_case(entry.name)), entry)
        if first.path != entry.path:
            yield at_entry(
                entry,
                f'the name differs only in case from "{first.name}" beside it',
                entry.name,
                "names that differ in more than case",
            )


def _in_long_folders(tree: NameTree, least: int) -> Iterator[Entry]:
    """Yield the entries of folders that have a path of more characters than this in them."""
    for folder in tree.folders:
        if len(folder.path) + 1 + max(map(len, folder.names), default=0) > least:
            yield from folder.entries()


def _at_level(path: str, level: int) -> str:
    """Return the part of ``path`` that ends with the directory just below ``level``."""
    return "/".join(path.split("/", level + 1)[: level + 1])


PATH_RULES = (
    Rule(
        "directory-depth",
        Severity.ERROR,
        "iso_depth",
        "No directory is deeper than the system reads",
        in_tree(depth, VolumeKind.ISO9660),
        "move the directory nearer to the root and build the disc again",
    ),
    Rule(
        "directory-path-length",
        Severity.ERROR,
        "folder_path_length",
        "Paths of directories are short enough to be entered and copied",
        in_tree(folder_path_length),
        "move the directory nearer to the root, or shorten the names above it",
    ),
    Rule(
        "path-length",
        Severity.ERROR,
        "path_length",
        "Whole paths are short enough to be opened",
        in_tree(path_length),
        "shorten names on the way, or move the entry nearer to the root",
    ),
    Rule(
        "joliet-path-size",
        Severity.WARNING,
        "joliet_path_size",
        "Whole paths in the Joliet tree take few enough bytes",
        in_tree(joliet_path_size, VolumeKind.JOLIET),
        "shorten names on the way if the entry can't be opened",
    ),
    Rule(
        "records-in-order",
        Severity.ERROR,
        "record_order",
        "Records of a directory are in the order that the system's search relies on",
        in_tree(record_order, VolumeKind.ISO9660),
        "build the disc again: mediashelf build sorts the records",
    ),
    Rule(
        "paths-distinct",
        Severity.ERROR,
        "distinct_paths",
        "Every path names one entry",
        in_tree(distinct),
        "rename one of the entries and build the disc again",
    ),
    Rule(
        "names-distinct-without-case",
        Severity.ERROR,
        "distinct_ignoring_case",
        "Names in one directory differ in more than case",
        in_tree(distinct_ignoring_case),
        "rename one of the entries and build the disc again",
    ),
)

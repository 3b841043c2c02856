"""Equal files share one place on the disc."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator

from mediashelf.building.sources.digesting import hash_quickly
from mediashelf.building.sources.reading import digest_source, read_head
from mediashelf.building.tree import Content


def share_equal(
    contents: Iterable[Content],
    *,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> None:
    """Point every content that has an equal one before it to that one.

    Nothing is read of a size that occurs once, and only the first bytes of files
    that differ there. Contents that were digested keep their digest, so that the
    build notices a change. Empty contents are left alone: they take no place.
    """
    for same_size in _groups((content for content in contents if content.size), _size):
        for same_head in _groups(same_size, _head):
            for first, *others in _groups(
                same_head, lambda content: digest_source(content, on_bytes=on_bytes)
            ):
                for content in others:
                    content.equal_to = first


def _size(content: Content) -> int:
    return content.size


def _head(content: Content) -> bytes:
    """Return what stands for the first bytes: of many files these would be much to keep."""
    return hash_quickly(read_head(content))


def _groups(
    contents: Iterable[Content], key: Callable[[Content], Hashable]
) -> Iterator[list[Content]]:
    """Yield those that have their key in common with others, in their order."""
    firsts: dict[Hashable, Content] = {}  # mostly alone: a list for each would be large
    groups: dict[Hashable, list[Content]] = {}
    for content in contents:
        found = key(content)
        first = firsts.setdefault(found, content)
        if first is not content:
            groups.setdefault(found, [first]).append(content)
    yield from groups.values()

"""Equal files share one place on the disc."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Iterator

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
        for same_head in _groups(same_size, read_head):
            for first, *others in _groups(
                same_head, lambda content: digest_source(content, on_bytes=on_bytes)
            ):
                for content in others:
                    content.equal_to = first


def _size(content: Content) -> int:
    return content.size


def _groups(
    contents: Iterable[Content], key: Callable[[Content], Hashable]
) -> Iterator[list[Content]]:
    """Yield those that have their key in common with others, in their order."""
    groups: dict[Hashable, list[Content]] = defaultdict(list)
    for content in contents:
        groups[key(content)].append(content)
    return (group for group in groups.values() if len(group) > 1)

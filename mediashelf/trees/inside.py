"""What is inside a tree: each wrapping in it as a tree, and what of it cannot be looked into."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator

from mediashelf.errors import InputError
from mediashelf.findings import Finding
from mediashelf.text import count_text, first_text
from mediashelf.trees.joined.parts import LaterPartError
from mediashelf.trees.members import Bounds, Parts, TreeMember, not_opened
from mediashelf.trees.opening import open_wrapping
from mediashelf.trees.tree import Tree
from mediashelf.trees.wrappings import may_be_wrapping

_NO_BOUNDS = Bounds()
_NAMES_SHOWN = 3


def iter_trees(
    tree: Tree,
    *,
    bounds: Bounds = _NO_BOUNDS,
    skips: Callable[[TreeMember], bool] = lambda member: False,
) -> Iterator[Tree | Finding]:
    """Yield the tree, then each wrapping in it as a tree, then what is in those.

    Each but the first is closed when the next is asked for. ``skips`` tells what of the
    first tree is not looked at. What cannot be opened is a finding of the rule
    ``not-opened``; what is not read of a tree that is opened, :func:`iter_gaps` says.
    """
    yield tree
    joined: set[Parts] = set()  # later parts of archives that were opened with the first
    for member in tree.members:
        if not member.is_file or not may_be_wrapping(member.name) or skips(member):
            continue
        folder = member.parts[:-1]
        if (*folder, member.name.lower()) in joined:
            continue
        where = tree.where_is(member)
        if member.unreadable is not None:
            yield not_opened(where, member.unreadable.reason)
            continue
        try:
            inner = open_wrapping(tree, member, None, bounds)
        except LaterPartError as error:
            if not error.first:
                yield not_opened(where, _reason(where, error))
            continue
        except InputError as error:
            yield not_opened(where, _reason(where, error))
            continue
        if inner is not None:
            joined.update((*folder, name) for name in inner.parts_beside)
            with inner:
                yield from iter_trees(inner, bounds=bounds)


def iter_gaps(tree: Tree) -> Iterator[Finding]:
    """Yield what of a tree itself cannot be looked into, as findings of the rule ``not-opened``.

    Wrappings among the members are left to :func:`iter_trees`.
    """
    for one in tree.findings:
        yield not_opened(one.where, one.message, is_part=True)
    yield from unreadable_files(
        tree, [member for member in tree.members if not may_be_wrapping(member.name)]
    )


def unreadable_files(tree: Tree, members: Iterable[TreeMember]) -> Iterator[Finding]:
    """Yield a finding for each reason why files that are in a tree by name cannot be had."""
    closed: defaultdict[str, list[str]] = defaultdict(list)
    for member in members:
        if member.is_file and member.unreadable is not None:
            closed[member.unreadable.reason].append(member.path)
    for reason, paths in closed.items():
        count = count_text(len(paths), "file")
        why = reason.removeprefix("it is ")
        what = f"{count} in it cannot be read ({first_text(paths, _NAMES_SHOWN)}): {why}"
        yield not_opened(tree.where, what, is_part=True)


def _reason(where: str, error: InputError) -> str:
    """Return the words of an error without the place that they begin with."""
    return str(error).removeprefix(f"{where}: ").removeprefix("is ")

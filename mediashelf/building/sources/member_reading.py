"""Reading a member of an archive or image as a source of a disc."""

from __future__ import annotations

from collections.abc import Generator

from mediashelf.building.tree import Content, Wrapped
from mediashelf.errors import BuildError, InputError


def iter_member(content: Content) -> Generator[bytes, None, None]:
    """Yield exactly the planned bytes of a member; all pieces but the last have one size.

    Raises :class:`BuildError` when the file it is in is not as it was, or the member is not
    what the listing says.
    """
    assert content.member is not None
    tree, member, _ = content.member
    try:
        refuse_changed_file(content.member)
        yield from tree.stream(member)
        refuse_changed_file(content.member, "changed while it was read")
    except InputError as error:
        raise _as_build_error(error) from error
    except OSError as error:
        raise BuildError(f"{content.path}: cannot be read: {error.strerror or error}") from error
    finally:
        if tree.file is not None:
            tree.file.rest()


def refuse_changed_file(wrapped: Wrapped, fact: str = "changed since the disc was planned") -> None:
    """Raise :class:`BuildError` unless the file that a member is in is as it was."""
    try:
        if wrapped.tree.file is not None:
            wrapped.tree.file.refuse_changed(fact)
    except InputError as error:
        raise _as_build_error(error) from error


def _as_build_error(error: InputError) -> BuildError:
    text = str(error).replace("try again", "build again")
    is_damage = text.endswith("get the archive again")
    return BuildError(f"{text}, or skip the member in the recipe" if is_damage else text)

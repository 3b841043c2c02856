"""Every error mediashelf raises on purpose, and the exit code that each one owns.

An error means "the job could not be done". What is wrong *with a disc* is a
:class:`mediashelf.findings.Finding`, not an error.

::

    MediashelfError
    ├── InputError             3  a file or folder cannot be found or read
    ├── FormatError            4  bytes or text are not in the form they must have
    ├── RecipeError            5  a recipe cannot be understood
    ├── SessionPlanError       6  a session plan cannot be understood or resolved
    ├── TargetError            7  an unknown target, or a target file that is wrong
    ├── BuildError             8  a disc could not be built from its sources
    ├── OutputError            9  a result could not be written
    ├── CatalogueError        10  the catalogue cannot be used
    ├── CatalogueTooNewError  11  the catalogue was written by a newer version
    ├── BlockedError          12  findings block the work; nothing was done
    ├── StagingError          13  a copy on the card could not be made or confirmed
    ├── ManifestError         14  a manifest cannot be understood
    └── ConversionError       15  an image cannot be converted

Exit codes 0 (clean), 1 (findings at or above ``--fail-on``) and 2 (usage) are
not errors of ours. 130 follows the shells' convention for Ctrl-C, and 70 is a fault of the program.
"""

from __future__ import annotations


class MediashelfError(Exception):
    """The root of the tree; only its subclasses are raised.

    Each argument is one line for people. A line break inside one is a part of a name
    from outside, and must not look like a line of ours.
    """

    exit_code = 0

    def __str__(self) -> str:
        return "\n".join(map(str, self.args))


class InputError(MediashelfError):
    """A file or folder cannot be found or read."""

    exit_code = 3


class FormatError(MediashelfError, ValueError):
    """Bytes or text are not in the form they must have.

    ``at`` is a byte offset, or a place in words such as ``"line 3, column 9"``.
    """

    exit_code = 4

    def __init__(
        self, field: str, *, at: int | str, found: object, expected: str, clause: str = ""
    ) -> None:
        place = f"{at:#x}" if isinstance(at, int) else at
        source = f" ({clause})" if clause else ""
        super().__init__(f"{place}: {field} is {found!r}, expected {expected}{source}")
        self.field, self.at, self.found, self.expected = field, at, found, expected


class RecipeError(MediashelfError):
    """A recipe cannot be understood."""

    exit_code = 5


class SessionPlanError(MediashelfError):
    """A session plan cannot be understood or resolved."""

    exit_code = 6


class TargetError(MediashelfError):
    """An unknown target, or a target file that is wrong."""

    exit_code = 7


class BuildError(MediashelfError):
    """A disc could not be built from its sources."""

    exit_code = 8


class OutputError(MediashelfError):
    """A result could not be written."""

    exit_code = 9


class CatalogueError(MediashelfError):
    """The catalogue cannot be used."""

    exit_code = 10


class CatalogueTooNewError(MediashelfError):
    """The catalogue was written by a newer version of mediashelf."""

    exit_code = 11


class BlockedError(MediashelfError):
    """Findings block the work; nothing was done."""

    exit_code = 12


class StagingError(MediashelfError):
    """A copy on the card could not be made or confirmed."""

    exit_code = 13


class ManifestError(MediashelfError):
    """A manifest cannot be understood."""

    exit_code = 14


class ConversionError(MediashelfError):
    """An image cannot be converted."""

    exit_code = 15

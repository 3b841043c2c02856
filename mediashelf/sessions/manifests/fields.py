"""The kinds of field in a manifest, with the limits that its schema publishes.

``msgspec`` reads the limits from the annotations, for checking and for the schema.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from msgspec import Meta

BARS_NEWLINE = r"(?!\n)$"
"""Ends a pattern: ``$`` alone also holds before a last newline."""

Text = Annotated[str, Meta(pattern=r"^(?![\s\S]*[\u0000-\u001f\u007f])", max_length=2000)]
"""One line of text without control characters."""

Position = Annotated[int, Meta(ge=1, le=99)]
"""A place in the order of use, counted from 1."""

Size = Annotated[int, Meta(ge=0, le=2**53 - 1)]
"""A count of bytes or files, within what JSON readers take exactly (RFC 7493 2.2)."""

CardPath = Annotated[
    str,
    Meta(
        pattern=r"^(?![\s\S]*[\u0000-\u001f\u007f\\:*?\"<>|])[^/]*[^/. ](?:/[^/]*[^/. ])*$",
        min_length=1,
        max_length=240,
        description="Where the file is, from the folder that holds the manifest: parts joined by "
        "/. Never absolute, never through '.' or '..', without control characters and without "
        '\\ : * ? " < > |, and no part ends in a dot or a space, so that every card can hold it.',
    ),
]

Attribute = Annotated[str, Meta(pattern=r"^(?![\s\S]*[^a-z_])", min_length=1, max_length=32)]
"""The name of a file in the lun's folder."""

Moment = Annotated[
    str,
    Meta(
        pattern="^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}Z" + BARS_NEWLINE,
        max_length=20,
    ),
]

Start = Annotated[int, Meta(ge=1, le=99)] | Literal["none", "last"]
"""What the drive presents when it starts."""

SeverityWord = Literal["error", "warning", "note"]
Confirmed = Literal["device", "cache"]
MadeHow = Literal["copied", "converted", "built"]
BootMethod = Literal[
    "no-emulation", "floppy-1.2MB", "floppy-1.44MB", "floppy-2.88MB", "hard-disk", "unknown"
]
BootPlatform = Literal["x86", "powerpc", "mac", "efi", "unknown"]

MOST_ROWS = 10_000
"""Files or findings in one list."""

WRITES = {"min_length": 1, "max_length": 16}
"""Bounds of a list of what to write into the lun's folder."""


def says(description: str, **limits: Any) -> Meta:
    """Return the description of one field, which a schema must have, with further limits."""
    return Meta(description=description, **limits)


def distinct(description: str, most: int) -> Meta:
    """Return the description of a list that holds nothing twice.

    ``msgspec`` only publishes that; :func:`parse_manifest` checks it.
    """
    return Meta(description=description, max_length=most, extra_json_schema={"uniqueItems": True})

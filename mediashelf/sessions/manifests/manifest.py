"""The card's manifest: what to present, in which order, with which settings.

The form is described field by field in :mod:`mediashelf.sessions.manifests.values`, from
which the schema is generated. :func:`parse_manifest` accepts only what has that form and
makes sense; :func:`render_manifest` writes nothing else. Whether the card holds what the
manifest says is :mod:`mediashelf.sessions.cards.confirm`'s question.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

import msgspec

from mediashelf.errors import InputError, ManifestError
from mediashelf.sessions.manifests.sense import MANIFEST_NAME, iter_contradictions
from mediashelf.sessions.manifests.typed import FormError, convert_typed, json_schema
from mediashelf.sessions.manifests.values import Manifest
from mediashelf.sessions.manifests.versions import (
    CURRENT,
    from_version_1,
    from_version_2,
    from_version_3,
    to_version,
)

FORMAT = "mediashelf-card"
VERSION = CURRENT
MAX_MANIFEST_SIZE = 16 << 20
"""Bytes; a whole session of 99 discs with findings stays far below."""

_SHOWN_PROBLEMS = 5


def read_manifest(path: Path) -> Manifest:
    """Read a manifest's file.

    Raises :class:`InputError` when it cannot be read and
    :class:`ManifestError` when it is not one that we understand.
    """
    try:
        if not path.is_file():
            raise InputError(f"{path}: no such file; name a card's {MANIFEST_NAME}")
        with path.open("rb") as stream:
            data = stream.read(MAX_MANIFEST_SIZE + 1)
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror or error}") from error
    try:
        return parse_manifest(data)
    except ManifestError as error:
        raise ManifestError(f"{path}: {error}") from error


def parse_manifest(data: bytes) -> Manifest:
    """Understand a manifest's bytes; raises :class:`ManifestError` with the place and the reason.

    Keys that begin with ``x-`` are dropped.
    """
    document = _load(data)
    version = document.get("version")
    if document.get("format") != FORMAT:
        raise ManifestError(f"is JSON but not a card manifest: format is not {FORMAT!r}")
    if "version" not in document:
        raise ManifestError("lacks the key 'version'")
    if isinstance(version, int) and version > VERSION:
        raise ManifestError(
            f"was written in version {version} of the form, this program reads up to version "
            f"{VERSION}; update mediashelf on this board, or prepare the card with the older one"
        )
    if version is not True:  # which is equal to 1
        if document.get("version") == 1:
            document = from_version_1(document)
        if document.get("version") == 2:
            document = from_version_2(document)
        if document.get("version") == 3:
            document = from_version_3(document)
    manifest = read_form(document)
    _refuse_any(iter_contradictions(manifest))
    return manifest


def read_form(document: dict[str, Any]) -> Manifest:
    """Return a manifest that has the schema's form, whether or not it makes sense.

    Raises :class:`ManifestError`.
    """
    try:
        manifest = convert_typed(document, Manifest)
    except FormError as error:
        raise ManifestError(str(error)) from error
    _refuse_any(_repeats(manifest))
    return manifest


def render_manifest(manifest: Manifest, version: int = VERSION) -> bytes:
    """Return the manifest's file: ASCII JSON, one fixed order of keys, a final newline.

    Raises :class:`ManifestError` when it is one that :func:`parse_manifest` would refuse,
    or when an earlier ``version`` cannot say it.
    """
    document = to_version(msgspec.to_builtins(manifest), version)
    data = (json.dumps(document, indent=2, ensure_ascii=True) + "\n").encode("ascii")
    parse_manifest(data)
    return data


def schema() -> dict[str, Any]:
    """Return the manifest's JSON Schema."""
    return json_schema(Manifest, f"Card manifest, version {VERSION}")


def _load(data: bytes) -> dict[str, Any]:
    if len(data) > MAX_MANIFEST_SIZE:
        raise ManifestError(f"is longer than {MAX_MANIFEST_SIZE:,} bytes")
    try:
        document = json.loads(
            data.decode("utf-8"), object_pairs_hook=_object, parse_constant=_no_constant
        )
        # Half of a surrogate pair can be written as an escape, but is no character:
        # no file has such a name, and other JSON readers choke on it (RFC 7493 2.1).
        json.dumps(document, ensure_ascii=False).encode("utf-8")
    except (ValueError, RecursionError) as error:
        raise ManifestError(
            f"is not a manifest: not JSON in UTF-8 ({error}); prepare the card again, or "
            "name the card's folder"
        ) from error
    if not isinstance(document, dict):
        raise ManifestError("is JSON but not a card manifest: the whole is not an object")
    return document


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    document: dict[str, Any] = {}
    for key, value in pairs:
        if key in document:
            raise ValueError(f"the key {key!r} appears twice in one object")
        document[key] = value
    return document


def _no_constant(word: str) -> None:
    raise ValueError(f"{word} is not a JSON value")


def _refuse_any(problems: Iterator[str]) -> None:
    """Raise one error that names the first few problems, when there are any."""
    first = list(islice(problems, _SHOWN_PROBLEMS + 1))
    if first:
        more = "; and more" if len(first) > _SHOWN_PROBLEMS else ""
        raise ManifestError("; ".join(first[:_SHOWN_PROBLEMS]) + more)


def _repeats(manifest: Manifest) -> Iterator[str]:
    """Yield what the schema's ``uniqueItems`` forbids."""
    for index, disc in enumerate(manifest.discs):
        for key in ("targets", "passed", "after"):
            items = getattr(disc, key)
            twice = next((item for item in items if items.count(item) > 1), None)
            if twice is not None:
                yield f"discs[{index}].{key} names {twice!r} twice"

"""The card's manifest: what to present, in which order, with which settings.

The form is described field by field in ``manifest.schema.json`` beside this
module. :func:`parse_manifest` accepts only what has that shape and makes sense;
:func:`render_manifest` writes nothing else. Whether the card holds what the
manifest says is :mod:`mediashelf.sessions.cards.confirm`'s question.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict
from itertools import islice
from pathlib import Path
from typing import Any

from mediashelf.errors import InputError, ManifestError
from mediashelf.sessions.manifests.sense import MANIFEST_NAME, iter_contradictions
from mediashelf.sessions.manifests.shape import check_shape
from mediashelf.sessions.manifests.values import (
    BootWay,
    CardFile,
    Contents,
    FileDigests,
    LunWrite,
    Manifest,
    ManifestDisc,
    ManifestSession,
    OpenFinding,
    Origin,
    SpaceShare,
)
from mediashelf.sessions.manifests.versions import from_version_1

FORMAT = "mediashelf-card"
VERSION = 2
MAX_MANIFEST_SIZE = 16 << 20
"""Bytes; a whole session of 99 discs with findings stays far below."""

SCHEMA_PATH = Path(__file__).with_name("manifest.schema.json")

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
        raise ManifestError(f"is JSON but no card manifest: format is not {FORMAT!r}")
    if isinstance(version, int) and version > VERSION:
        raise ManifestError(
            f"was written in version {version} of the form, this program reads up to version "
            f"{VERSION}; update mediashelf on this board, or prepare the card with the older one"
        )
    if version == 1 and version is not True:
        document = from_version_1(document)
    _refuse_any(
        f"{problem.place or 'the manifest'} {problem.message}"
        for problem in check_shape(document, schema())
    )
    manifest = _manifest(document)
    _refuse_any(iter_contradictions(manifest))
    return manifest


def render_manifest(manifest: Manifest) -> bytes:
    """Return the manifest's file: ASCII JSON, one fixed order of keys, a final newline.

    Raises :class:`ManifestError` when it is one that :func:`parse_manifest` would refuse.
    """
    document = {"format": FORMAT, "version": VERSION, **asdict(manifest)}
    data = (json.dumps(document, indent=2, ensure_ascii=True) + "\n").encode("ascii")
    parse_manifest(data)
    return data


def schema() -> dict[str, Any]:
    """Return the manifest's JSON Schema."""
    document: dict[str, Any] = json.loads(SCHEMA_PATH.read_text("utf-8"))
    return document


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
        raise ManifestError(f"is not JSON in UTF-8: {error}") from error
    if not isinstance(document, dict):
        raise ManifestError("is JSON but no card manifest: the whole is not an object")
    return document


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    document: dict[str, Any] = {}
    for key, value in pairs:
        if key in document:
            raise ValueError(f"the key {key!r} appears twice in one object")
        document[key] = value
    return document


def _no_constant(word: str) -> None:
    raise ValueError(f"{word} is no JSON value")


def _refuse_any(problems: Iterator[str]) -> None:
    """Raise one error that names the first few problems, when there are any."""
    first = list(islice(problems, _SHOWN_PROBLEMS + 1))
    if first:
        more = "; and more" if len(first) > _SHOWN_PROBLEMS else ""
        raise ManifestError("; ".join(first[:_SHOWN_PROBLEMS]) + more)


def _manifest(document: dict[str, Any]) -> Manifest:
    return Manifest(
        created=document["created"],
        created_by=document["created_by"],
        session=ManifestSession(document["session"]["name"], document["session"]["machine"]),
        start=int(document["start"]),
        eject=_writes(document["eject"]),
        forced_eject=_writes(document["forced_eject"]),
        discs=tuple(_disc(item) for item in document["discs"]),
        open_findings=_findings(document["open_findings"]),
        other_files=parse_files(document["other_files"]),
        earlier_files=parse_files(document["earlier_files"]),
    )


def _disc(item: dict[str, Any]) -> ManifestDisc:
    return ManifestDisc(
        position=int(item["position"]),
        code=item["code"],
        repeats=None if item["repeats"] is None else int(item["repeats"]),
        path=item["path"],
        label=item["label"],
        purpose=item["purpose"],
        expect=item["expect"],
        size=int(item["size"]),
        blocks=int(item["blocks"]),
        digests=_digests(item["digests"]),
        confirmed=item["confirmed"],
        origin=_origin(item["origin"]),
        lun=_writes(item["lun"]),
        boot=tuple(BootWay(way["method"], way["platform"]) for way in item["boot"]),
        targets=tuple(item["targets"]),
        passed=tuple(item["passed"]),
        after=tuple(int(position) for position in item["after"]),
        contents=_contents(item["contents"]),
        open_findings=_findings(item["open_findings"]),
    )


def _origin(item: dict[str, Any]) -> Origin:
    return Origin(
        how=item["how"],
        name=item["name"],
        size=None if item["size"] is None else int(item["size"]),
        digests=None if item["digests"] is None else _digests(item["digests"]),
        padding=int(item["padding"]),
    )


def _contents(item: dict[str, Any]) -> Contents:
    return Contents(
        int(item["files"]), int(item["folders"]), tuple(item["top"]), _areas(item["areas"])
    )


def _areas(items: list[dict[str, Any]]) -> tuple[SpaceShare, ...]:
    return tuple(
        SpaceShare(item["name"], int(item["size"]), int(item["files"]), _areas(item["inside"]))
        for item in items
    )


def _digests(item: dict[str, Any]) -> FileDigests:
    return FileDigests(item["xxh3_128"], item["sha256"])


def _writes(items: list[dict[str, Any]]) -> tuple[LunWrite, ...]:
    return tuple(LunWrite(item["attribute"], item["value"]) for item in items)


def _findings(items: list[dict[str, Any]]) -> tuple[OpenFinding, ...]:
    return tuple(
        OpenFinding(
            rule=item["rule"],
            severity=item["severity"],
            target=item["target"],
            where=item["where"],
            count=int(item["count"]),
            message=item["message"],
            remedy=item["remedy"],
            source=item["source"],
        )
        for item in items
    )


def parse_files(items: list[dict[str, Any]]) -> tuple[CardFile, ...]:
    """Return the files of a list that has the schema's shape."""
    return tuple(
        CardFile(item["path"], int(item["size"]), _digests(item["digests"])) for item in items
    )

"""Manifests of earlier versions, as the current version would say the same, and back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from mediashelf.errors import ManifestError
from mediashelf.sessions.emulator import block_size, is_served_whole, served_blocks
from mediashelf.sessions.manifests.codes import disc_codes

CURRENT = 4


def from_version_3(document: dict[str, Any]) -> dict[str, Any]:
    """Return a manifest of version 3 in the current form; whatever is wrong with it stays wrong.

    Version 4 names the drive; before, it had the kernel's own names.
    """
    return {"drive": [], **document, "version": CURRENT}


def from_version_2(document: dict[str, Any]) -> dict[str, Any]:
    """Return a manifest of version 2 as version 3 has it; whatever is wrong with it stays wrong.

    Version 3 says what a host really sees of a disc, and whether the disc may erase;
    of a disc of version 2 that boots it must be expected.
    """
    discs = document.get("discs")
    if isinstance(discs, list):
        discs = [_serving(disc) if isinstance(disc, dict) else disc for disc in discs]
        document = {**document, "discs": discs}
    return {**document, "version": 3}


def _serving(disc: dict[str, Any]) -> dict[str, Any]:
    size = disc.get("size")
    known = size if isinstance(size, int) else 0
    added = {
        "presentation": "optical",
        "servable": is_served_whole(known),
        "block_size": block_size("optical"),
        "served_blocks": served_blocks(known),
        "erases": bool(disc.get("boot")),
    }
    rest = {key: value for key, value in disc.items() if key != "blocks"}
    contents = rest.get("contents")
    if isinstance(contents, dict):
        rest["contents"] = {key: value for key, value in contents.items() if key != "areas"}
    # A key that was unknown then is as wrong now.
    return {**rest, **{key: value for key, value in added.items() if key not in disc}}


def to_version(document: dict[str, Any], version: int) -> dict[str, Any]:
    """Return a manifest of the current form as an earlier version says it.

    Raises :class:`ManifestError` for what that version has no words for, and an emulator
    would do wrong: before version 3 a board always presents one disc at its start, every
    disc is a CD-ROM, and all of its blocks are served.
    """
    if version < CURRENT:
        document = {key: value for key, value in document.items() if key != "drive"}
    if version < 3:
        document = _without_serving(document)
    if version < 2:
        discs = [_only(disc, "code", "origin") for disc in document["discs"]]
        discs = [{**disc, "contents": _only(disc["contents"], "areas")} for disc in discs]
        document = {**document, "discs": discs}
    return {**document, "version": version}


def start_before_3(start: Any, discs: Sequence[Mapping[str, Any]]) -> int:
    """Return the disc that a board presents at its start, by the versions before 3.

    Of a disc the keys position, erases, presentation and servable are needed. Raises
    :class:`ManifestError` like :func:`to_version`.
    """
    if not isinstance(start, int):
        safe = [disc["position"] for disc in discs if not disc["erases"]]
        if not safe:
            raise ManifestError(
                "before version 3 a board presents a disc when it starts, and every disc of this "
                "session may erase; say start = 1 in the plan if that is wanted"
            )
        start = safe[0]
    for disc in discs:
        if disc["presentation"] != "optical" or not disc["servable"]:
            raise ManifestError(
                f"disc {disc['position']} is a USB disk or cannot be served whole, which no "
                "version before 3 can say; leave it out for such a board"
            )
    return int(start)


def _without_serving(document: dict[str, Any]) -> dict[str, Any]:
    start = start_before_3(document["start"], document["discs"])
    added = ("presentation", "servable", "block_size", "served_blocks", "erases")
    older = [
        {
            **_only(disc, *added),
            "blocks": disc["served_blocks"],
            "contents": {**disc["contents"], "areas": []},
        }
        for disc in document["discs"]
    ]
    return {**document, "start": start, "discs": older}


def _only(values: dict[str, Any], *left_out: str) -> dict[str, Any]:
    return {key: value for key, value in values.items() if key not in left_out}


def from_version_1(document: dict[str, Any]) -> dict[str, Any]:
    """Return a manifest of version 1 as version 2 has it; whatever is wrong stays wrong.

    Version 2 added a disc's code and origin, and areas that are no longer kept. Codes
    are given as a new card would get them, though the files' names lack them.
    """
    discs = document.get("discs")
    if not isinstance(discs, list) or not all(isinstance(disc, dict) for disc in discs):
        return {**document, "version": 2}
    codes = _codes(discs)
    upgraded = [_disc(disc, code) for disc, code in zip(discs, codes, strict=True)]
    return {**document, "version": 2, "discs": upgraded}


def _codes(discs: list[dict[str, Any]]) -> list[str]:
    """Return a code for each disc; one that is presented again keeps its code."""
    names = {str(disc.get("path")): str(disc.get("label") or disc.get("path")) for disc in discs}
    by_path = dict(zip(names, disc_codes(list(names.values())), strict=True))
    return [by_path[str(disc.get("path"))] for disc in discs]


def _disc(disc: dict[str, Any], code: str) -> dict[str, Any]:
    """Return the disc with what version 1 did not say, as far as it follows from the rest."""
    path = disc.get("path")
    name = path.rpartition("/")[2] if isinstance(path, str) else path
    origin = {
        "how": "copied",
        "name": name,
        "size": disc.get("size"),
        "digests": disc.get("digests"),
        "padding": 0,
    }
    added = {key: value for key, value in (("code", code), ("origin", origin)) if key not in disc}
    return {**disc, **added}

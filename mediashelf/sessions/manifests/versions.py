"""Manifests of earlier versions, as the current version would say the same."""

from __future__ import annotations

from typing import Any

from mediashelf.sessions.emulator import block_size, is_served_whole, served_blocks
from mediashelf.sessions.manifests.codes import disc_codes

CURRENT = 3


def from_version_2(document: dict[str, Any]) -> dict[str, Any]:
    """Return a manifest of version 2 in the current form; whatever is wrong with it stays wrong.

    Version 3 says what a host really sees of a disc, and whether the disc may erase;
    of a disc of version 2 that boots it must be expected.
    """
    discs = document.get("discs")
    if isinstance(discs, list):
        discs = [_serving(disc) if isinstance(disc, dict) else disc for disc in discs]
        document = {**document, "discs": discs}
    return {**document, "version": CURRENT}


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

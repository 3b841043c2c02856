"""Manifests of earlier versions are read, and written for who asks; newer ones are refused."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from msgspec.structs import replace

from manifest_documents import Document, change, document, parse, refusal
from mediashelf.errors import ManifestError
from mediashelf.sessions.manifests.codes import disc_codes
from mediashelf.sessions.manifests.manifest import parse_manifest, render_manifest
from session_samples import lun_for, sample_manifest

NEW_IN_VERSION_3 = ("presentation", "servable", "block_size", "served_blocks", "erases")


def as_version_3(value: Document) -> Document:
    """What version 3 said of the same card."""
    del value["drive"]
    return value | {"version": 3}


def test_manifests_of_version_3_are_still_read() -> None:
    """The drive had the kernel's own names."""
    assert parse(as_version_3(document())) == replace(sample_manifest(), drive=())
    with pytest.raises(ManifestError, match="unknown key 'drives'"):
        parse(as_version_3(document()) | {"drives": []})


def as_version_2(value: Document) -> Document:
    """What version 2 said of the same card."""
    del value["drive"]
    value |= {"version": 2, "start": 1}
    for disc in value["discs"]:
        for key in NEW_IN_VERSION_3:
            del disc[key]
        disc["blocks"] = disc["size"] // 2048
        disc["contents"]["areas"] = []
    return value


def test_manifests_of_version_2_are_still_read() -> None:
    """They always present disc 1 at the start, and a disc of theirs that boots may erase."""
    manifest = parse(as_version_2(document()))
    assert manifest.start == 1
    assert [disc.erases for disc in manifest.discs] == [True, False, True]
    assert manifest == replace(sample_manifest(), start=1, drive=())
    for place, new, message in (
        ("discs", {}, "discs is an object"),
        ("discs.0", 3, "discs[0] is 3"),
        ("discs.0.size", "1", "discs[0].size is '1'"),
        ("start", 9, "start is 9, expected a position up to 3"),
    ):
        value = as_version_2(document())
        change(place, new)(value)
        assert message in refusal(value)


def as_version_1(value: Document) -> Document:
    """What version 1 said of the same card."""
    as_version_2(value)
    value["version"] = 1
    for disc in value["discs"]:
        del disc["code"], disc["origin"], disc["contents"]["areas"]
    return value


def test_manifests_of_version_1_are_still_read() -> None:
    manifest = parse(as_version_1(document()))
    sample = sample_manifest()
    assert manifest.files == sample.files
    assert [disc.lun for disc in manifest.discs] == [disc.lun for disc in sample.discs]
    first, second, again = manifest.discs
    assert first.code == again.code != second.code
    assert {disc.origin.how for disc in manifest.discs} == {"copied"}
    assert parse(json.loads(render_manifest(manifest))) == manifest
    # Without a label the file's name takes its place, as on a new card.
    value = as_version_1(document())
    for disc in value["discs"]:
        disc["label"] = ""
    codes = [disc.code for disc in parse(value).discs]
    assert codes[0] == codes[2] != codes[1]
    assert codes[0] == disc_codes([sample.discs[0].path, sample.discs[1].path])[0]
    for place, new, message in (
        ("discs", {}, "discs is an object"),
        ("discs.0", 3, "discs[0] is 3"),
        ("discs.0.contents", [], "discs[0].contents is a list"),
        ("discs.0.path", 4, "discs[0].path is 4"),
        ("discs.0.label", [], "discs[0].label is a list"),
        ("discs.0.size", "1", "discs[0].size is '1'"),
    ):
        value = as_version_1(document())
        change(place, new)(value)
        assert message in refusal(value)


@pytest.mark.parametrize(
    ("version", "older"), [(3, as_version_3), (2, as_version_2), (1, as_version_1)]
)
def test_earlier_versions_are_written_on_request(version: int, older: Callable[..., Any]) -> None:
    """What their own readers took, key by key; of the two discs the second never erases."""
    expected = older(document())
    if version < 3:
        expected["start"] = 2
        for disc in expected["discs"]:
            disc["blocks"] = 300
    data = render_manifest(sample_manifest(), version)
    assert json.loads(data) == expected
    assert parse_manifest(data).images == sample_manifest().images
    assert render_manifest(sample_manifest(), 4) == render_manifest(sample_manifest())


@pytest.mark.parametrize("version", [1, 2])
def test_what_an_earlier_version_would_get_wrong_is_refused(version: int) -> None:
    sample = sample_manifest()
    erasing = tuple(replace(disc, erases=True) for disc in sample.discs)
    with pytest.raises(ManifestError, match="every disc of this session may erase"):
        render_manifest(replace(sample, discs=erasing), version)
    render_manifest(replace(sample, discs=erasing, start=1), version)
    cut = replace(sample.discs[1], size=614_399, servable=False, served_blocks=0)
    with pytest.raises(ManifestError, match="disc 2 is a USB disk or cannot be served whole"):
        render_manifest(replace(sample, discs=(sample.discs[0], cut, sample.discs[2])), version)
    path = sample.discs[1].path
    disk = replace(
        sample.discs[1],
        presentation="disk",
        block_size=512,
        served_blocks=1200,
        lun=lun_for(path, "0"),
    )
    discs = (sample.discs[0], disk, sample.discs[2])
    render_manifest(replace(sample, discs=discs), 3)
    with pytest.raises(ManifestError, match="disc 2 is a USB disk or cannot be served whole"):
        render_manifest(replace(sample, discs=discs), version)


def test_newer_versions_are_refused_before_anything_else() -> None:
    message = refusal({"format": "mediashelf-card", "version": 5, "quite": "different"})
    assert "version 5" in message
    assert "update mediashelf" in message

"""The manifest's form: round trips, and agreement with an independent validator."""

from __future__ import annotations

import json
from typing import get_args

import jsonschema
import pytest
from hypothesis import given, settings
from msgspec.structs import replace

from manifest_documents import VALIDATOR, Document, document, parse, refusal
from mediashelf.errors import ManifestError
from mediashelf.readability.limits import BOOT_MEDIA, BOOT_PLATFORMS
from mediashelf.sessions.manifests.fields import BootMethod, BootPlatform
from mediashelf.sessions.manifests.manifest import parse_manifest, render_manifest, schema
from mediashelf.sessions.manifests.values import Manifest
from session_samples import manifests, sample_manifest


def test_the_schema_is_a_valid_schema_that_describes_every_field() -> None:
    jsonschema.Draft202012Validator.check_schema(schema())

    def visit(part: Document, place: str) -> None:
        for key, value in part.get("properties", {}).items():
            assert value.get("description"), f"{place}.{key} is not described"
            visit(value, f"{place}.{key}")
        if isinstance(part.get("items"), dict):
            visit(part["items"], f"{place}[]")
        if "properties" in part:
            # Every key is always present, and a mistyped one is noticed.
            assert part["additionalProperties"] is False
            assert sorted(part["required"]) == sorted(part["properties"])

    visit(schema(), "")
    for name, part in schema()["$defs"].items():
        assert part.get("description")
        visit(part, name)


def test_a_way_to_boot_has_one_word_in_targets_and_manifests() -> None:
    """El Torito 1.0, figures 2 and 3, as the one table of the readability limits has them."""
    assert {*BOOT_MEDIA, "unknown"} == set(get_args(BootMethod))
    assert {*BOOT_PLATFORMS, "unknown"} == set(get_args(BootPlatform))


def test_the_sample_is_accepted_by_both() -> None:
    assert parse(document()) == sample_manifest()
    VALIDATOR.validate(document())


def test_no_blocks_are_promised_that_the_kernel_cuts_or_refuses() -> None:
    for size, served, is_whole in (
        (2_359_293_952, 1_151_999, True),
        (2_359_293_952 + 2048, 1_151_999, False),
        (614_399, 0, False),
    ):
        manifest = sample_manifest()
        digests = manifest.discs[1].digests
        disc = replace(
            manifest.discs[1], size=size, served_blocks=served, servable=is_whole, digests=digests
        )
        discs = (manifest.discs[0], disc, manifest.discs[2])
        render_manifest(replace(manifest, discs=discs))
        wrong = replace(disc, servable=not is_whole)
        with pytest.raises(ManifestError, match="servable is"):
            render_manifest(replace(manifest, discs=(discs[0], wrong, discs[2])))


@pytest.mark.parametrize(
    ("writes", "problem"),
    [
        ([("inquiry_string", "x" * 29)], "more than 28 characters"),
        ([("inquiry_string", "Tïde")], "not in ASCII"),
        ([("cdrom", "0")], "drive writes cdrom, expected inquiry_string alone"),
        ([("inquiry_string", "a"), ("inquiry_string", "b")], "writes its names twice"),
    ],
)
def test_the_drives_names_are_within_the_kernels_bounds(
    writes: list[tuple[str, str]], problem: str
) -> None:
    value = document()
    value["drive"] = [{"attribute": name, "value": text} for name, text in writes]
    assert problem in refusal(value)


@settings(derandomize=True, deadline=None, max_examples=60)
@given(manifests())
def test_manifest_to_json_to_manifest_is_equal(manifest: Manifest) -> None:
    data = render_manifest(manifest)
    assert parse_manifest(data) == manifest
    assert render_manifest(parse_manifest(data)) == data
    assert data.isascii()
    VALIDATOR.validate(json.loads(data))


def test_keys_that_begin_with_x_are_passed_over() -> None:
    value = document()
    value["x-colour"] = "grey"
    value["discs"][0]["x-shelf"] = {"row": 3}
    value["discs"][0]["digests"]["x-md5"] = "…"
    VALIDATOR.validate(value)
    assert parse(value) == sample_manifest()

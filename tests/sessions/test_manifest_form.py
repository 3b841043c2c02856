"""The manifest's form: round trips, refusals, agreement with an independent validator."""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Callable
from typing import Any, get_args

import jsonschema
import pytest
from hypothesis import given, settings
from msgspec.structs import replace

from mediashelf.errors import ManifestError
from mediashelf.readability.limits import BOOT_MEDIA, BOOT_PLATFORMS
from mediashelf.sessions.manifests.fields import BootMethod, BootPlatform
from mediashelf.sessions.manifests.manifest import (
    parse_manifest,
    read_form,
    render_manifest,
    schema,
)
from mediashelf.sessions.manifests.values import Manifest
from session_samples import lun_for, manifests, sample_manifest

Document = dict[str, Any]

# jsonschema is an independent implementation of JSON Schema draft 2020-12.
VALIDATOR = jsonschema.Draft202012Validator(schema())


def document() -> Document:
    value: Document = json.loads(render_manifest(sample_manifest()))
    return value


def parse(value: object) -> Manifest:
    return parse_manifest(json.dumps(value).encode())


def refusal(value: object) -> str:
    with pytest.raises(ManifestError) as caught:
        parse(value)
    return str(caught.value)


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


def test_newer_versions_are_refused_before_anything_else() -> None:
    message = refusal({"format": "mediashelf-card", "version": 5, "quite": "different"})
    assert "version 5" in message
    assert "update mediashelf" in message


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "not JSON in UTF-8"),
        (b"\xff\xfe", "not JSON in UTF-8"),
        (b"[]", "the whole is not an object"),
        (b"{}", "format is not 'mediashelf-card'"),
        (b'{"format": "mediashelf-card"}', "lacks the key 'version'"),
        (b'{"format": "mediashelf-card", "format": "mediashelf-card"}', "'format' appears twice"),
        (b'{"format": "mediashelf-card", "version": NaN}', "NaN is not a JSON value"),
        (b'{"a": "\\ud800"}', "surrogates not allowed"),
        (b"[" * 200_000, "not JSON in UTF-8"),
        (b'{"version": ' + b"9" * 5000 + b"}", "not JSON in UTF-8"),
        (b" " * ((16 << 20) + 1), "is longer than"),
    ],
)
def test_what_is_no_manifest(data: bytes, message: str) -> None:
    with pytest.raises(ManifestError) as caught:
        parse_manifest(data)
    assert message in str(caught.value)


def change(place: str, new: object) -> Callable[[Document], None]:
    """Return what sets ``discs.0.size`` style places; a callable makes new from old."""

    def apply(value: Document) -> None:
        *steps, last = [int(step) if step.isdecimal() else step for step in place.split(".")]
        inside: Any = value
        for step in steps:
            inside = inside[step]
        inside[last] = new(inside[last]) if callable(new) else new

    return apply


@pytest.mark.parametrize(
    ("place", "new", "message"),
    [
        ("version", True, "version is true, expected a whole number"),
        ("version", "1", "version is '1', expected a whole number"),
        ("created", "yesterday", "created is 'yesterday', which is not in the form"),
        ("created", "2026-11-25T07:00:00Z\n", "created"),
        ("start", 4, "start is 4, expected a position up to 3"),
        ("start", 0, "start is 0, expected 1 or more"),
        ("start", "first", "start is 'first', expected one of 'none', 'last'"),
        ("start", None, "start is null, expected a whole number or a text"),
        ("session", None, "session is null, expected an object"),
        ("session.name", "a\x1b[2J", "session.name is"),
        ("discs", [], "discs has 0 items, expected 1 or more"),
        ("discs.0.position", 2, "discs[0].position is 2, expected 1"),
        ("discs.0.size", -1, "discs[0].size is -1, expected 0 or more"),
        ("discs.0.size", 614_400.5, "discs[0].size is 614400.5, expected a whole number"),
        ("discs.0.size", 616_448, "discs[0].served_blocks is 300, expected 301"),
        ("discs.0.served_blocks", 299, "discs[0].served_blocks is 299, expected 300"),
        ("discs.0.servable", False, "discs[0].servable is false, expected true"),
        ("discs.0.block_size", 512, "discs[0].block_size is 512, expected 2048"),
        ("discs.0.presentation", "tape", "expected one of 'optical', 'disk'"),
        ("discs.0.presentation", "disk", "discs[0].lun does not set cdrom to 0 before file"),
        ("discs.0.erases", 1, "discs[0].erases is 1, expected true or false"),
        ("discs.0.size", True, "discs[0].size is true, expected a whole number"),
        ("discs.0.digests.sha256", "A" * 64, "discs[0].digests.sha256 is"),
        ("discs.0.digests.sha256", "a" * 63, "discs[0].digests.sha256 is"),
        ("discs.0.digests.xxh3_128", "a" * 32 + "\n", "discs[0].digests.xxh3_128"),
        ("discs.0.digests", {"sha256": "a" * 64}, "discs[0].digests lacks the key 'xxh3_128'"),
        ("discs.0.confirmed", "yes", "expected one of 'device', 'cache'"),
        ("discs.0.passed", ["nt4"], "discs[0].passed names a target that targets does not"),
        ("discs.0.targets", ["dos", "dos"], "discs[0].targets names 'dos' twice"),
        ("discs.0.after", [1], "discs[0].after names a disc that does not come before"),
        ("discs.0.lun", lambda old: old[:-1], "discs[0].lun does not end with file"),
        ("discs.0.lun", lambda old: old[::-1], "discs[0].lun does not end with file"),
        ("discs.0.lun", lambda old: [*old[:1], *old[2:]], "does not set ro to 1 before file"),
        ("discs.0.lun", lambda old: [old[0], *old], "discs[0].lun writes an attribute twice"),
        ("discs.0.lun.1.value", "0", "discs[0].lun does not set ro to 1 before file"),
        ("discs.0.lun.3.value", "/etc/passwd", "discs[0].lun does not end with file"),
        ("discs.0.lun.0.attribute", "../cdrom", "discs[0].lun[0].attribute is '../cdrom'"),
        ("discs.2.repeats", 3, "discs[2].repeats is 3, which does not come before"),
        ("discs.2.repeats", 2, "discs[2].repeats is 2, but that is another image"),
        ("discs.2.size", 614_401, "discs[2].repeats is 1, but that is another image"),
        ("discs.2.repeats", None, "path '01-K7C-KIOSK-SYSTEM.iso' is used twice"),
        ("discs.0.code", "K7", "discs[0].code is 'K7', which is not in the form"),
        ("discs.0.code", "K7C\n", "discs[0].code"),
        ("discs.0.code", "M2A", "code 'M2A' belongs to two discs"),
        ("discs.2.code", "P6E", "discs[2].repeats is 1, but that is another image"),
        ("discs.0.origin.how", "found", "expected one of 'copied', 'converted', 'built'"),
        ("discs.0.origin.size", None, "discs[0].origin must have size and digests of its file"),
        ("discs.1.origin.size", 1, "discs[1].origin must have size and digests of its file"),
        ("discs.0.origin.size", 99, "discs[0].origin has a size of 99, expected 614400"),
        ("discs.0.origin.padding", 1, "discs[0].origin has a size of 614400, expected 614399"),
        ("discs.1.origin.padding", 614_401, "discs[1].origin has a padding of 614401, more than"),
        ("discs.0.origin.digests.sha256", "a" * 64, "origin has other digests than the copy"),
        ("discs.0.origin.digests", "none", "discs[0].origin.digests is 'none', expected an object"),
        ("discs.0.contents.areas", [], "discs[0].contents has an unknown key 'areas'"),
        ("discs.0.siez", 1, "discs[0] has an unknown key 'siez'; did you mean 'size'?"),
        ("discs.0.open_findings.0.severity", "fatal", "expected one of 'error', 'warning', 'note'"),
        ("eject", [], "eject has 0 items"),
    ],
)
def test_what_is_wrong_is_named_with_its_place(place: str, new: object, message: str) -> None:
    value = document()
    change(place, new)(value)
    assert message in refusal(value)


def test_a_wrong_form_is_not_said_to_be_all_that_is_wrong() -> None:
    value = document()
    value["created"], value["session"] = "yesterday", None
    assert refusal(value).endswith("; there may be more")
    value = document()
    value["discs"][0] |= {"siez": 1, "labl": ""}
    value["clor"] = "grey"
    assert all(f"unknown key '{key}'" in refusal(value) for key in ("siez", "labl", "clor"))
    assert "more" not in refusal(value)


@pytest.mark.parametrize(
    "path",
    [
        "/etc/passwd",
        "../outside.iso",
        "a/../../outside.iso",
        "a/..",
        "..",
        ".",
        "./a.iso",
        "a//b.iso",
        "a/",
        "",
        "C:\\images\\a.iso",
        "c:a.iso",
        "a\\b.iso",
        "a.iso\n",
        "a\x00.iso",
        "a.iso.",
        "a.iso ",
        "x" * 241,
    ],
)
def test_paths_that_leave_the_card_or_fit_no_card_are_refused_by_both(path: str) -> None:
    value = document()
    for disc in (value["discs"][0], value["discs"][2]):
        disc["path"] = path
        disc["lun"][-1]["value"] = path
    assert "path" in refusal(value)
    assert not VALIDATOR.is_valid(value)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("02-kioskdrv.ISO", "02-KIOSKDRV.iso"),
        ("02-K\u00e9.iso", "02-KE\u0301.iso"),
        ("manifest.json", "Manifest.json"),
        ("run-sheet.txt", "Run-Sheet.TXT"),
        ("01-OLD.iso", "01-old.iso"),
    ],
)
def test_paths_that_clash_when_case_is_ignored_are_refused(one: str, other: str) -> None:
    manifest = sample_manifest()
    first, second, again = manifest.discs
    discs = (
        replace(first, path=one, lun=lun_for(one)),
        replace(second, path=other, lun=lun_for(other)),
        replace(again, path=one, lun=lun_for(one)),
    )
    with pytest.raises(ManifestError, match=r"one file on a card that ignores case|used twice"):
        render_manifest(replace(manifest, discs=discs))


def iter_places(value: Any, place: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Return every place in a JSON value."""
    found = [place] if place else []
    if isinstance(value, dict | list):
        items = value.items() if isinstance(value, dict) else enumerate(value)
        for key, inside in items:
            found += iter_places(inside, (*place, key))
    return found


STRANGE = [
    None,
    True,
    0,
    -1,
    1.5,
    10**30,
    "",
    "x",
    "../x",
    "\x1b",
    [],
    {},
    [1],
    {"a": 1},
    "é" * 3000,
]


def mutate(value: Document, chance: random.Random) -> None:
    """Change one place: drop it, replace it, repeat it, or misspell its key."""
    *steps, last = chance.choice(iter_places(value))
    inside: Any = value
    for step in steps:
        inside = inside[step]
    action = chance.choice(["drop", "replace", "repeat", "misspell"])
    if action == "drop":
        del inside[last]
    elif action == "replace":
        inside[last] = chance.choice(STRANGE)
    elif isinstance(inside, list):
        inside.insert(last, copy.deepcopy(inside[last]))
    else:
        key = f"x-{last}" if action == "repeat" else f"{last}s"
        inside[key] = copy.deepcopy(inside[last])


def has_form(value: Document) -> bool:
    try:
        read_form(value)
    except ManifestError:
        return False
    return True


@pytest.mark.parametrize("seed", range(4))
def test_mutated_manifests_are_refused_clearly_or_harmless(seed: int) -> None:
    """Also: what we read and what the independent validator accepts are the same."""
    chance = random.Random(seed)
    refused = 0
    for _ in range(125):
        value = document()
        for _ in range(chance.randint(1, 3)):
            mutate(value, chance)
        is_shaped = VALIDATOR.is_valid(value)
        assert has_form(value) == is_shaped, value
        try:
            manifest = parse(value)
        except ManifestError as error:
            refused += 1
            assert len(str(error)) > 10
            assert "\n" not in str(error)
        else:
            assert is_shaped
            assert parse_manifest(render_manifest(manifest)) == manifest
    assert 60 < refused < 125


@pytest.mark.parametrize("seed", range(2))
def test_mutated_bytes_are_refused_clearly_or_harmless(seed: int) -> None:
    chance = random.Random(seed)
    data = render_manifest(sample_manifest())
    for _ in range(150):
        changed = bytearray(data)
        for _ in range(chance.randint(1, 3)):
            changed[chance.randrange(len(changed))] = chance.randrange(256)
        cut = chance.choice([len(changed), chance.randrange(len(changed))])
        try:
            manifest = parse_manifest(bytes(changed[:cut]))
        except ManifestError as error:
            assert str(error)
        else:
            assert parse_manifest(render_manifest(manifest)) == manifest

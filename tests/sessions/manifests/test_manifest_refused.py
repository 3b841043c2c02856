"""Manifests that are wrong: each mistake is named with its place, and none does harm."""

from __future__ import annotations

import copy
import random
from typing import Any

import pytest
from msgspec.structs import replace

from manifest_documents import VALIDATOR, Document, change, document, parse, refusal
from mediashelf.errors import ManifestError
from mediashelf.sessions.manifests.manifest import parse_manifest, read_form, render_manifest
from session_samples import lun_for, sample_manifest


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


@pytest.mark.parametrize(("wrong", "ending"), [(4, ""), (5, ""), (6, "; and more")])
def test_the_first_five_mistakes_are_told(wrong: int, ending: str) -> None:
    value = document()
    lists = [(disc, key) for key in ("targets", "passed") for disc in value["discs"]]
    for disc, key in lists[:wrong]:
        disc[key] = [*disc[key], disc[key][0]]
    message = refusal(value)
    assert message.count("twice") == min(wrong, 5)
    assert message.partition("; and")[1:] == (ending[:5], ending[5:])


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

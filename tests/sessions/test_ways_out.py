"""Raw images that the emulator cannot serve as they are: converted, refused, explained."""

from __future__ import annotations

import hashlib
import random

import pytest

from make_image import make_iso
from make_raw import audio, flip, mode_1_image, spoil
from mediashelf.errors import BlockedError, FormatError, StagingError
from mediashelf.findings import Severity
from mediashelf.formats.volume import VolumeKind
from mediashelf.image import open_image
from mediashelf.integrity.raw.convert import convert_track
from mediashelf.integrity.raw.tracks import read_raw_disc
from mediashelf.jobs.session_recipes import recipe_planner
from mediashelf.readability.targets import load_targets
from mediashelf.sessions.cards.placed import Action
from mediashelf.sessions.plans.session_plan import load_plan
from mediashelf.sessions.prepare import hold_session
from plan_texts import NoLibrary
from raw_bench import RAW_DISC, SHEET, assert_card_is_right, only_disc, put_raw, rules
from session_bench import SYSTEM_DISC, Bench, noise, slides_image

PITCH = 2352
AUDIO_TRACK = "  TRACK {:02d} AUDIO\n    INDEX 01 {}\n"


@pytest.mark.parametrize("name", ["sounds.cue", "sounds.bin"])
def test_a_raw_image_is_converted_onto_the_card(bench: Bench, name: str) -> None:
    data = slides_image()
    raw = put_raw(bench, data)
    bench.write_plan(f'image = "library/{name}"')
    prepared = bench.prepare()
    disc = only_disc(prepared.manifest)
    assert prepared.session.arrangement.discs[0].action is Action.CONVERT
    assert bench.on_card()[disc.path] == data
    assert disc.path.endswith("-SLIDES.iso")
    assert (bench.folder / "library" / "sounds.bin").read_bytes() == raw
    assert disc.size == len(data)
    assert disc.digests.sha256 == hashlib.sha256(data).hexdigest()
    origin = disc.origin
    assert (origin.how, origin.name, origin.size) == ("converted", "sounds.bin", len(raw))
    assert origin.digests is not None
    assert origin.digests.sha256 == hashlib.sha256(raw).hexdigest()
    assert disc.passed == ("win9x",)
    assert rules(disc)["image-is-converted"] == "note"
    assert set(rules(disc).values()) == {"note"}
    assert_card_is_right(bench, prepared.manifest)


def test_the_image_is_the_one_that_convert_makes(bench: Bench) -> None:
    put_raw(bench, slides_image(), lambda raw: flip(raw, 200 * PITCH + 700, 18 * PITCH + 40))
    bench.write_plan(RAW_DISC)
    disc = only_disc(bench.prepare().manifest)
    alone = bench.folder / "alone.iso"
    raw = read_raw_disc(bench.folder / "library" / "sounds.cue")
    assert convert_track(raw, raw.tracks[0], alone).is_written
    assert bench.on_card()[disc.path] == alone.read_bytes() == slides_image()
    assert rules(disc)["sector-corrected"] == "note"  # on the card nothing is wrong any more


def test_damage_in_a_directory_is_put_right_before_the_disc_is_read(bench: Bench) -> None:
    """Nothing that readability rules see may come from bytes that the card will not have."""
    data = slides_image()
    (bench.folder / "plain.iso").write_bytes(data)
    with open_image(bench.folder / "plain.iso") as image:
        volume = image.facts.volume(VolumeKind.JOLIET)
        assert volume is not None
        sector = volume.entries[0].record_offset // 2048
    put_raw(bench, data, lambda raw: flip(raw, *(sector * PITCH + 16 + at for at in (2, 34, 70))))
    bench.write_plan(RAW_DISC)
    disc = only_disc(bench.prepare().manifest)
    assert disc.passed == ("win9x",)
    assert disc.contents.top == ("SLIDE1.BMP",)
    assert bench.on_card()[disc.path] == data


def test_lost_sectors_block(bench: Bench) -> None:
    raw = put_raw(bench, slides_image(), lambda raw: spoil(raw, 200 * PITCH + 16, 1500))
    bench.write_plan(RAW_DISC)
    with pytest.raises(BlockedError, match="nothing was copied"):
        bench.prepare()
    assert bench.on_card() == {}
    disc = only_disc(bench.prepare(anyway=True).manifest)
    assert rules(disc)["sector-lost"] == "error"
    assert disc.passed == ()
    # As convert --anyway: what stands there is on the card, not something made up.
    at = 200 * 2048
    assert bench.on_card()[disc.path][at : at + 2048] == raw[200 * PITCH + 16 :][:2048]


def test_a_converted_image_is_used_again_and_renamed(bench: Bench) -> None:
    put_raw(bench, slides_image())
    bench.write_plan(RAW_DISC)
    first = bench.prepare().manifest
    inodes = bench.inodes()
    prepared = bench.prepare()
    assert prepared.session.arrangement.discs[0].action is Action.KEEP
    assert prepared.manifest == first
    bench.write_plan(SYSTEM_DISC, RAW_DISC)
    prepared = bench.prepare()
    assert [step.action for step in prepared.session.arrangement.discs] == [
        Action.COPY,
        Action.RENAME,
    ]
    disc = prepared.manifest.discs[1]
    assert bench.inodes()[disc.path] == inodes[first.discs[0].path]
    assert disc.origin == first.discs[0].origin
    # The plain image has the same bytes: nothing is copied for it either.
    (bench.folder / "library" / "sounds.iso").write_bytes(slides_image())
    bench.write_plan(SYSTEM_DISC, 'image = "library/sounds.iso"')
    prepared = bench.prepare()
    assert prepared.session.arrangement.write_size == 0
    assert prepared.manifest.discs[1].origin.how == "copied"


@pytest.mark.parametrize(
    ("size", "words"),
    [(690_000, "became shorter while it was read"), (700_000, "changed after it was checked")],
)
def test_a_raw_file_that_changes_while_it_is_converted_is_an_error(
    bench: Bench, size: int, words: str
) -> None:
    put_raw(bench, slides_image())
    bench.write_plan(RAW_DISC)
    path = bench.folder / "library" / "sounds.bin"

    def change(count: int) -> None:
        path.write_bytes(mode_1_image(slides_image(size)))

    with pytest.raises(StagingError, match=words):
        bench.prepare(on_bytes=change)
    assert bench.images_on_card() == []
    assert not list(bench.card.glob(".*partial"))


def test_a_sheet_that_cannot_be_understood_is_named(bench: Bench) -> None:
    put_raw(bench, slides_image())
    (bench.folder / "library" / "sounds.cue").write_text('FILE "sounds.bin" BINARY\nTRACK x\n')
    bench.write_plan(RAW_DISC)
    with pytest.raises(FormatError, match=r"sounds\.cue: line 2"):
        bench.prepare()


def put_mixed(bench: Bench, data_first: bool = True) -> None:
    parts = [mode_1_image(slides_image()), audio(400)]
    sectors = [len(part) // PITCH for part in parts]
    kinds = ["MODE1/2352", "AUDIO"]
    if not data_first:
        parts, sectors, kinds = parts[::-1], sectors[::-1], kinds[::-1]
    second, frame = divmod(sectors[0], 75)
    (bench.folder / "library" / "sounds.bin").write_bytes(b"".join(parts))
    (bench.folder / "library" / "sounds.cue").write_text(
        f'FILE "sounds.bin" BINARY\n  TRACK 01 {kinds[0]}\n    INDEX 01 00:00:00\n'
        f"  TRACK 02 {kinds[1]}\n    INDEX 01 00:{second:02d}:{frame:02d}\n"
    )


@pytest.mark.parametrize("data_first", [True, False])
def test_the_data_of_a_mixed_disc_are_served_and_its_sound_is_missed(
    bench: Bench, data_first: bool
) -> None:
    put_mixed(bench, data_first)
    bench.write_plan(RAW_DISC)
    disc = only_disc(bench.prepare().manifest)
    assert bench.on_card()[disc.path] == slides_image()
    assert rules(disc)["emulator-leaves-sound-out"] == "warning"


def test_a_disc_of_sound_is_explained_and_never_copied(bench: Bench) -> None:
    (bench.folder / "library" / "sounds.bin").write_bytes(audio(800))
    sheet = SHEET.replace("MODE1/2352", "AUDIO") + AUDIO_TRACK.format(2, "00:05:00")
    (bench.folder / "library" / "sounds.cue").write_text(sheet)
    bench.write_plan(SYSTEM_DISC, RAW_DISC)
    with pytest.raises(BlockedError):
        bench.prepare()
    with pytest.raises(BlockedError, match=r"disc 2, sounds\.cue, has nothing that the emulator"):
        bench.prepare(anyway=True)
    assert bench.on_card() == {}
    plan, targets = load_plan(bench.plan), load_targets()
    planner = recipe_planner(targets, plan.targets)
    with hold_session(plan, bench.card, NoLibrary(), targets, plan_recipe=planner) as session:
        # That sound has no file system goes without saying.
        assert [one.rule for one in session.discs[1].findings] == ["emulator-plays-no-sound"]
        assert session.discs[1].passed == ()
    # With another source it is no obstacle.
    bench.write_plan(SYSTEM_DISC, f'{RAW_DISC}\nor = [{{ image = "library/slides.iso" }}]')
    assert bench.prepare().manifest.discs[1].label == "SLIDES"


def put_two_data_tracks(bench: Bench) -> tuple[bytes, bytes]:
    first, second = slides_image(), slides_image(650_000)
    raw = mode_1_image(first)
    seconds, frames = divmod(len(raw) // PITCH, 75)
    lba = len(raw) // PITCH
    raw += mode_1_image(second, first_lba=lba)
    (bench.folder / "library" / "sounds.bin").write_bytes(raw)
    (bench.folder / "library" / "sounds.cue").write_text(
        f"{SHEET}  TRACK 02 MODE1/2352\n    INDEX 01 00:{seconds:02d}:{frames:02d}\n"
    )
    return first, second


def test_one_of_several_data_tracks_must_be_named(bench: Bench) -> None:
    first, second = put_two_data_tracks(bench)
    bench.write_plan(RAW_DISC)
    with pytest.raises(BlockedError):
        bench.prepare(anyway=True)
    for number, data in ((1, first), (2, second)):
        bench.write_plan(f"{RAW_DISC}\ntrack = {number}")
        disc = only_disc(bench.prepare(anyway=True).manifest)  # the second counts from its disc
        assert bench.on_card()[disc.path] == data
    bench.write_plan(f"{RAW_DISC}\ntrack = 1", f"{RAW_DISC}\ntrack = 2")
    manifest = bench.prepare(anyway=True).manifest
    assert [disc.repeats for disc in manifest.discs] == [None, None]
    bench.write_plan(f"{RAW_DISC}\ntrack = 3")
    with pytest.raises(BlockedError):
        bench.prepare(anyway=True)


def test_a_track_of_a_plain_image_is_a_mistake_that_is_named(bench: Bench) -> None:
    bench.write_plan(f"{SYSTEM_DISC}\ntrack = 1")
    disc = only_disc(bench.prepare().manifest)
    assert rules(disc)["track-is-of-raw-image"] == "warning"


def test_random_damage_never_ends_in_another_image_than_convert_makes(bench: Bench) -> None:
    """Whatever a raw file has gone through: block, or the same bytes as the conversion."""
    data = make_iso({"A.BIN": noise("a", 620_000)}, label="RAW", joliet=3).data
    bench.write_plan(RAW_DISC)
    chance = random.Random(3)
    outcomes = set()
    for _ in range(12):
        places = [chance.randrange(len(data)) for _ in range(chance.choice([1, 40, 4000]))]
        put_raw(bench, data, lambda raw, places=places: flip(raw, *places))  # type: ignore[misc]
        raw = read_raw_disc(bench.folder / "library" / "sounds.cue")
        alone = bench.folder / "alone.iso"
        result = convert_track(raw, raw.tracks[0], alone, replace=True)
        try:
            disc = only_disc(bench.prepare().manifest)
        except BlockedError:
            outcomes.add("blocked")
            assert max(one.severity for one in result.findings) is Severity.ERROR
        else:
            outcomes.add("made")
            assert result.is_written
            assert bench.on_card()[disc.path] == alone.read_bytes()
    assert outcomes == {"blocked", "made"}

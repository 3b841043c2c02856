"""Bench sessions on record: which session a card belongs to, and what becomes of its notes."""

from __future__ import annotations

from pathlib import Path

import pytest
from msgspec.structs import replace

from bench_sessions import CARD, DISCS, FRIDAY, SATURDAY, disc, kiosk
from made_library import DATE, Library, tide_image, write
from mediashelf.catalogue.bench.session_names import named_disc, named_session
from mediashelf.catalogue.bench.session_reading import session_of, sessions
from mediashelf.catalogue.bench.session_rows import (
    BenchSession,
    NoteResult,
    SessionNote,
    in_force,
)
from mediashelf.catalogue.bench.session_store import (
    add_note,
    begin_again,
    record_session,
    session_of_card,
)
from mediashelf.catalogue.history import history_of
from mediashelf.catalogue.shelves import drop_shelf
from mediashelf.errors import InputError

WORKED, FAILED, WITHDRAWN = NoteResult.WORKED, NoteResult.FAILED, NoteResult.WITHDRAWN


def outcomes(session: BenchSession) -> list[str | None]:
    return [step.outcome.value if step.outcome else None for step in session.steps]


def test_a_session_comes_back_as_it_was_recorded(library: Library) -> None:
    prepared = replace(kiosk(), name="Ki\udcffosk\x1b", machine="", card=Path("/media/c\udcffrd"))
    session = record_session(library.catalogue, prepared, now=FRIDAY)
    assert (session.name, session.card) == (prepared.name, prepared.card)
    assert session.begun_at == session.prepared_at == session.made_at == FRIDAY
    for step, wanted in zip(session.steps, prepared.discs, strict=True):
        for name in ("position", "code", "path", "label", "purpose", "targets", "size", "sha256"):
            assert getattr(step, name) == getattr(wanted, name)
    assert session.former == ()
    assert sessions(library.catalogue) == [session]


def test_preparing_the_same_card_again_is_the_same_session(library: Library) -> None:
    first = record_session(library.catalogue, kiosk(), now=FRIDAY)
    add_note(library.catalogue, first.steps[0], WORKED, now=SATURDAY)
    again = record_session(library.catalogue, kiosk(), now=SATURDAY)
    assert (again.id, again.begun_at, again.prepared_at) == (first.id, FRIDAY, SATURDAY)
    assert outcomes(again) == ["worked", None, None]
    assert [step.id for step in again.steps] == [step.id for step in first.steps]


def test_a_mended_disc_takes_the_place_of_the_one_that_failed(library: Library) -> None:
    """Back from the bench: new drivers on the disc, the rest as it was."""
    first = record_session(library.catalogue, kiosk(), now=FRIDAY)
    add_note(library.catalogue, first.steps[0], WORKED, now=SATURDAY)
    add_note(library.catalogue, first.steps[1], FAILED, text="no sound", now=SATURDAY)
    mended = replace(disc(2, "KIOSKDRV", "better"), targets=("dos", "win9x"))
    again = record_session(
        library.catalogue,
        kiosk(DISCS[0], mended, DISCS[2], made_at=SATURDAY),
        now="2026-11-28T12:00:00Z",
    )
    assert again.id == first.id
    assert outcomes(again) == ["worked", None, None]
    (former,) = again.former
    assert (former.id, former.replaced_at) == (first.steps[1].id, "2026-11-28T12:00:00Z")
    assert [note.text for note in former.notes] == ["no sound"]
    # Should the old bytes come back, so do their notes.
    back = record_session(library.catalogue, kiosk(), now="2026-11-28T13:00:00Z")
    assert outcomes(back) == ["worked", "failed", None]
    assert [one.sha256 for one in back.former] == [mended.sha256]


def test_discs_keep_their_notes_when_the_order_changes(library: Library) -> None:
    again = (
        replace(DISCS[2], position=1),
        replace(DISCS[0], position=2),
        replace(DISCS[2], position=3),
    )
    first = record_session(library.catalogue, kiosk(DISCS[0], DISCS[2]), now=FRIDAY)
    add_note(library.catalogue, first.steps[0], WORKED, text="system", now=FRIDAY)
    add_note(library.catalogue, first.steps[1], WORKED, text="slides", now=FRIDAY)
    second = record_session(library.catalogue, kiosk(*again, made_at=SATURDAY), now=FRIDAY)
    assert second.id != first.id  # every disc had worked: that session was over
    third = record_session(library.catalogue, kiosk(*again[:2], made_at=SATURDAY), now=FRIDAY)
    assert third.id == second.id
    assert [step.id for step in third.steps] == [step.id for step in second.steps[:2]]


@pytest.mark.parametrize(
    ("prepared", "now", "is_same"),
    [
        (kiosk(DISCS[0], made_at=SATURDAY), SATURDAY, True),
        (kiosk(DISCS[0], made_at=SATURDAY), "2026-12-27T17:59:59Z", True),
        (kiosk(DISCS[0], made_at=SATURDAY), "2026-12-27T18:00:01Z", False),
        (kiosk(made_at=FRIDAY), "2036-12-27T18:00:00Z", True),  # the very same card
        (kiosk(card=Path("/media/other")), FRIDAY, False),
        (replace(kiosk(made_at=SATURDAY), name="Another"), SATURDAY, False),
        (replace(kiosk(made_at=SATURDAY), machine="Another"), SATURDAY, False),
    ],
)
def test_which_session_a_card_goes_on_with(
    library: Library, prepared: object, now: str, is_same: bool
) -> None:
    first = record_session(library.catalogue, kiosk(), now=FRIDAY)
    second = record_session(library.catalogue, prepared, now=now)  # type: ignore[arg-type]
    assert (second.id == first.id) is is_same
    assert len(sessions(library.catalogue)) == (1 if is_same else 2)


def test_a_note_is_a_sign_of_life(library: Library) -> None:
    first = record_session(library.catalogue, kiosk(), now=FRIDAY)
    add_note(library.catalogue, first.steps[0], FAILED, now="2026-12-20T00:00:00Z")
    other = kiosk(DISCS[0], made_at=SATURDAY)
    assert record_session(library.catalogue, other, now="2027-01-10T00:00:00Z").id == first.id


def test_a_card_is_known_wherever_it_is_plugged_in(library: Library) -> None:
    first = record_session(library.catalogue, kiosk(), now=FRIDAY)
    other_folder = kiosk(card=Path("/mnt/x"))
    found = session_of_card(library.catalogue, other_folder)
    assert found is not None
    assert found.id == first.id
    assert session_of_card(library.catalogue, kiosk(made_at=SATURDAY)) is None
    assert session_of_card(library.catalogue, kiosk(DISCS[0])) is None
    # Two equal cards: the one in this folder is meant.
    second = record_session(library.catalogue, other_folder, now=SATURDAY)
    assert second.id != first.id
    for prepared, wanted in ((kiosk(), first), (other_folder, second)):
        found = session_of_card(library.catalogue, prepared)
        assert found is not None
        assert found.id == wanted.id


def test_begun_again_for_the_next_machine(library: Library) -> None:
    first = record_session(library.catalogue, kiosk(), now=FRIDAY)
    for step in first.steps:
        add_note(library.catalogue, step, WORKED, now=FRIDAY)
    second = begin_again(library.catalogue, first, now=SATURDAY)
    assert second.id != first.id
    assert outcomes(second) == [None, None, None]
    assert [step.sha256 for step in second.steps] == [step.sha256 for step in first.steps]
    assert outcomes(session_of(library.catalogue, first.id)) == ["worked"] * 3
    assert [one.id for one in sessions(library.catalogue)] == [second.id, first.id]
    # The card stays with the session that was begun last.
    assert record_session(library.catalogue, kiosk(), now=SATURDAY).id == second.id


def note(outcome: NoteResult, system: str = "", device: str = "", text: str = "") -> SessionNote:
    return SessionNote(outcome, system, device, text, FRIDAY)


def test_a_later_note_holds_in_the_place_of_an_earlier_one() -> None:
    first, second = note(FAILED, text="first"), note(WORKED, text="second")
    assert in_force([first, second]) == [second]
    video, audio = note(FAILED, device="Larkspur video"), note(WORKED, device="Quillon audio")
    assert in_force([video, audio, second]) == [video, audio, second]
    assert in_force([video, note(WORKED, device="LARKSPUR VIDEO")])[0].outcome is WORKED
    dos, all_systems = note(FAILED, system="dos"), note(WORKED)
    assert in_force([dos, all_systems]) == [all_systems]
    assert in_force([all_systems, dos]) == [all_systems, dos]
    assert in_force([first, note(WITHDRAWN)]) == []
    assert in_force([video, note(WITHDRAWN)]) == [video]  # about the whole disc, not the device


def test_what_holds_for_a_device_on_a_system(library: Library) -> None:
    session = record_session(library.catalogue, kiosk(), now=FRIDAY)
    drivers = session.steps[1]  # for dos and win9x

    def held(notes: list[SessionNote], system: str, device: str = "") -> SessionNote | None:
        return replace(drivers, notes=tuple(notes)).note_on(system, device)

    everywhere, dos, nt4 = note(WORKED), note(FAILED, system="dos"), note(FAILED, system="nt4")
    assert held([everywhere, dos], "dos") is dos
    assert held([everywhere, dos], "win9x") is everywhere
    assert held([dos, everywhere], "dos") is everywhere
    assert held([everywhere], "nt4") is None  # it was for the disc's targets
    assert held([everywhere, nt4], "nt4") is nt4
    assert held([nt4, everywhere], "nt4") is None
    assert held([everywhere, note(WITHDRAWN, system="dos")], "dos") is None
    assert held([everywhere, note(WITHDRAWN, system="dos")], "win9x") is everywhere
    assert held([everywhere], "dos", "Larkspur video") is None
    video = note(WORKED, device="Larkspur video")
    assert held([video], "dos", "larkspur VIDEO") is video
    assert held([video], "dos") is None


def test_the_only_system_of_a_disc_goes_without_saying(library: Library) -> None:
    session = record_session(library.catalogue, kiosk(), now=FRIDAY)
    assert add_note(library.catalogue, session.steps[0], WORKED, system="win9x").system == ""
    assert add_note(library.catalogue, session.steps[1], WORKED, system="win9x").system == "win9x"


def test_the_history_of_an_image_tells_of_its_sessions(library: Library) -> None:
    path = write(library.root / "tide.iso", tide_image(1), DATE)
    library.scan()
    (row,) = library.catalogue.images()
    by_place = replace(DISCS[0], source=path)
    by_bytes = replace(DISCS[1], xxh3_128=row.digests["xxh3_128"])
    session = record_session(library.catalogue, kiosk(by_place, by_bytes, DISCS[2]), now=FRIDAY)
    add_note(library.catalogue, session.steps[0], FAILED, text="hung", now=FRIDAY)
    add_note(library.catalogue, session.steps[0], WORKED, text="second try", now=SATURDAY)
    add_note(library.catalogue, session.steps[2], WORKED, now=SATURDAY)  # another image's
    library.catalogue.db.execute("UPDATE history SET happened_at = '2026-01-01T00:00:00Z'")
    told = history_of(library.catalogue.db, row.id)
    assert [(one.happened_at, one.event.value, one.detail) for one in told] == [
        ("2026-01-01T00:00:00Z", "recorded", ""),
        (FRIDAY, "staged", "as 01-K2C-KIOSK-SYSTEM.iso"),
        (FRIDAY, "staged", "as 02-K3C-KIOSKDRV.iso"),
        (SATURDAY, "served", "worked: second try"),
    ]
    assert (told[1].session, told[1].machine) == ("Tide-table kiosk", "Kiosk PC, 1999")
    assert told[1].card == str(CARD)
    begin_again(library.catalogue, session, now="2027-01-01T00:00:00Z")
    assert history_of(library.catalogue.db, row.id) == told  # nothing was copied


def test_sessions_outlive_the_images_that_they_used(library: Library) -> None:
    path = write(library.root / "tide.iso", tide_image(1), DATE)
    library.scan()
    discs = (replace(DISCS[0], source=path),)
    session = record_session(library.catalogue, kiosk(*discs), now=FRIDAY)
    add_note(library.catalogue, session.steps[0], WORKED, now=FRIDAY)
    drop_shelf(library.catalogue, "home")
    assert outcomes(session_of(library.catalogue, session.id)) == ["worked"]


@pytest.fixture
def session(library: Library) -> BenchSession:
    return record_session(library.catalogue, kiosk(), now=FRIDAY)


@pytest.mark.parametrize(
    ("words", "position"),
    [
        *[("1", 1), ("01", 1), ("3", 3)],
        *[("k3c", 2), ("K4C", 3)],
        *[("KIOSKDRV", 2), ("kioskdrv", 2), ("02-K3C-KIOSKDRV.iso", 2), ("02-k3c-kioskdrv", 2)],
        *[("system", 1), ("kiosk", 1), ("drv", 2), ("slid", 3), (" slides ", 3)],
        *[("video", 2), ("exhib", 3), ("install", 1)],
        ("next", 1),
    ],
)
def test_steps_are_named_as_is_handy(session: BenchSession, words: str, position: int) -> None:
    assert named_disc(session, words).position == position


@pytest.mark.parametrize("words", ["4", "0", "nothing like it", "", " ", "-1", "²"])
def test_what_names_no_disc_lists_them(session: BenchSession, words: str) -> None:
    with pytest.raises(InputError, match=r"its discs: 1 KIOSK_SYSTEM .K2C., 2 KIOSKDRV .K3C., 3"):
        named_disc(session, words)


def test_what_matches_several_discs_lists_only_those(session: BenchSession) -> None:
    slides = [replace(session.steps[2], position=number) for number in range(3, 15)]
    with pytest.raises(InputError) as caught:
        named_disc(replace(session, steps=(*session.steps[:2], *slides[:2])), "slid")
    assert str(caught.value) == (
        "'slid' matches several discs of Tide-table kiosk: 3 SLIDES (K4C), 4 SLIDES (K4C); "
        "use the position or the code"
    )
    with pytest.raises(InputError, match=r"11 SLIDES \(K4C\) and 3 more; use the position"):
        named_disc(replace(session, steps=(*session.steps[:2], *slides)), "slid")


def test_next_is_the_first_step_without_a_note(library: Library, session: BenchSession) -> None:
    for position in (1, 2, 3):
        now = session_of(library.catalogue, session.id)
        assert named_disc(now, "next").position == position
        add_note(library.catalogue, named_disc(now, "next"), WORKED)
    with pytest.raises(InputError, match="no disc is open"):
        named_disc(session_of(library.catalogue, session.id), "NEXT")


def test_a_disc_called_next_comes_first(library: Library) -> None:
    discs = (DISCS[0], disc(2, "NEXT"))
    assert named_disc(record_session(library.catalogue, kiosk(*discs)), "next").position == 2


def test_sessions_are_named_by_card_name_number_or_part(
    library: Library, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    card = tmp_path / "card"
    card.mkdir()
    (tmp_path / "link").symlink_to(card)
    first = record_session(library.catalogue, kiosk(card=card), now=FRIDAY)
    other = replace(kiosk(made_at=SATURDAY), name="Harbour clock", machine="Clock PC")
    second = record_session(library.catalogue, other, now=SATURDAY)
    third = record_session(library.catalogue, kiosk(card=tmp_path), now=SATURDAY)
    known = sessions(library.catalogue)
    monkeypatch.chdir(tmp_path)
    for words, wanted in [
        *[(str(card), first), ("card", first), ("link", first), (str(tmp_path), third)],
        *[("tide-TABLE kiosk", third), (str(first.id), first), ("clock", second), ("1999", third)],
    ]:
        assert named_session(known, words).id == wanted.id, words
    with pytest.raises(InputError, match="matches several sessions"):
        named_session(known, "pc")
    with pytest.raises(InputError, match="did you mean 'Harbour clock'"):
        named_session(known, "harbor clok")
    with pytest.raises(InputError, match="not a recorded session"):
        named_session(known, "")

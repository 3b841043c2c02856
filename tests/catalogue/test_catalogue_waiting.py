"""A record is replaced by the keeper's word alone: what differs waits beside it."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from made_library import DATE, TICK, Library, overwrite, tide_image, write
from mediashelf.catalogue.history import history_of
from mediashelf.catalogue.images import findings_on_record, fixity_record
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.shelves import add_shelf
from mediashelf.errors import InputError
from mediashelf.jobs.library.scanning import plan_accepting, plan_shelves, read_planned

MIB = 1 << 20
SOUND = tide_image(1, mebibytes=2)


def row(library: Library, path: str = "tide.iso") -> ImageRow:
    (found,) = [each for each in library.catalogue.images() if each.path == path]
    return found


def rules(library: Library) -> list[tuple[str, str]]:
    """Scan, and return rule and place of each finding."""
    scan = plan_shelves(library.catalogue, [])
    read_planned(library.catalogue, scan)
    return [(finding.rule, finding.where) for finding in scan.findings]


@pytest.fixture
def tide(library: Library) -> Path:
    path = write(library.root / "tide.iso", SOUND, DATE)
    library.scan()
    return path


def touch(path: Path, date: int) -> None:
    os.utime(path, ns=(date, date))


def test_decayed_bytes_with_a_new_date_do_not_become_the_record(
    library: Library, tide: Path
) -> None:
    before = row(library)
    record = fixity_record(library.catalogue.db, before)
    overwrite(tide, MIB, b"rot")
    assert library.audit()["home: tide.iso"].verdict.state == "decayed"
    touch(tide, DATE + 5 * TICK)
    assert rules(library) == [("bytes-as-recorded", "home: tide.iso")]
    after = row(library)
    assert after.state == "changed"
    assert after.digests == before.digests
    assert fixity_record(library.catalogue.db, after) == record
    assert after.waiting is not None
    assert (after.waiting.judged, after.waiting.mtime_ns) == ("decayed", DATE + 5 * TICK)
    # It stays so, whether it is read again or not, and an audit says the same.
    assert rules(library) == [("bytes-as-recorded", "home: tide.iso")]
    result = library.audit()["home: tide.iso"]
    assert result.verdict.state == "changed"
    assert "these bytes were found decayed on" in result.verdict.findings[0].message
    assert row(library).digests == before.digests


def test_the_right_bytes_put_back_end_the_waiting(library: Library, tide: Path) -> None:
    write(tide, tide_image(2, mebibytes=2), DATE + TICK)
    assert library.events() == {"tide.iso": "changed"}
    assert findings_on_record(library.catalogue.db, row(library).id)
    write(tide, SOUND, DATE)  # even the date is the old one
    assert library.events() == {"tide.iso": "confirmed"}
    assert (row(library).state, row(library).waiting) == ("recorded", None)
    assert findings_on_record(library.catalogue.db, row(library).id) == []
    write(tide, tide_image(2, mebibytes=2), DATE + TICK)
    library.audit()
    assert library.events() == {}  # the audit has read these very bytes
    write(tide, SOUND, DATE + 2 * TICK)
    assert library.audit()["home: tide.iso"].verdict.state == "sound"
    assert row(library).waiting is None


def test_accepting_keeps_the_earlier_record(library: Library, tide: Path) -> None:
    old = row(library)
    write(tide, tide_image(2, label="EBB", mebibytes=2), DATE + TICK)
    library.scan()
    assert library.accept("tide.iso") == {"tide.iso": "accepted"}
    new = row(library)
    assert (new.state, new.label, new.waiting) == ("recorded", "EBB", None)
    assert new.digests != old.digests
    events = [each.event.value for each in history_of(library.catalogue.db, new.id)]
    assert events == ["recorded", "changed", "accepted"]
    assert library.audit()["home: tide.iso"].verdict.state == "sound"
    assert rules(library) == []


def test_only_bytes_that_were_seen_are_accepted(library: Library, tide: Path) -> None:
    old = row(library)
    write(tide, tide_image(2, mebibytes=2), DATE + TICK)
    library.scan()
    write(tide, tide_image(3, mebibytes=2), DATE + 2 * TICK)
    assert library.accept("tide.iso") == {"tide.iso": "changed"}
    assert row(library).digests == old.digests
    assert library.accept("tide.iso") == {"tide.iso": "accepted"}


def test_a_shelf_is_accepted_without_what_was_found_decayed(library: Library, tide: Path) -> None:
    ebb = write(library.root / "ebb.iso", tide_image(3), DATE)
    library.scan()
    overwrite(tide, MIB, b"rot")
    library.audit()
    touch(tide, DATE + TICK)
    write(ebb, tide_image(4), DATE + TICK)
    library.scan()
    scan = plan_accepting(library.catalogue, ["home"])
    read_planned(library.catalogue, scan)
    assert [(each.job.seen.path, each.event.value) for each in scan.outcomes] == [
        ("ebb.iso", "accepted")
    ]
    (finding,) = scan.findings
    assert finding.message == "not accepted with its shelf: it was found decayed"
    assert library.states() == {"home: ebb.iso": "recorded", "home: tide.iso": "changed"}
    assert library.accept("tide.iso") == {"tide.iso": "accepted"}


def test_what_cannot_be_accepted(library: Library, tide: Path) -> None:
    new = write(library.root / "new.iso", tide_image(7), DATE)
    with pytest.raises(InputError, match="is not on record; scan its shelf first"):
        plan_accepting(library.catalogue, [str(new)])
    tide.unlink()
    with pytest.raises(InputError, match="is missing; only an image that is here"):
        plan_accepting(library.catalogue, ["tide.iso"])


def test_cut_files_are_truncated_and_keep_their_record(library: Library, tide: Path) -> None:
    old = row(library)
    write(tide, SOUND[: MIB + 77], DATE + TICK)
    assert rules(library) == [("bytes-as-recorded", "home: tide.iso")]
    assert (row(library).state, row(library).digests) == ("truncated", old.digests)


@pytest.mark.parametrize("is_away", [False, True], ids=["missing", "away"])
def test_a_shelf_elsewhere_does_not_make_decayed_bytes_new(
    library: Library, tide: Path, is_away: bool
) -> None:
    good = write(library.root / "good.iso", tide_image(8), DATE)
    library.scan()
    old = row(library)
    overwrite(tide, MIB, b"rot")
    moved = library.root.parent / "elsewhere"
    library.root.rename(moved)
    if is_away:
        library.scan()
    add_shelf(library.catalogue, moved, "elsewhere")
    assert ("bytes-as-recorded", "elsewhere: tide.iso") in rules(library)
    states = library.states()
    assert states["elsewhere: tide.iso"] == "decayed"
    assert states["elsewhere: good.iso"] == "recorded"
    ((new,),) = library.catalogue.iter_images(shelf="elsewhere", label="tide", state="decayed")
    assert new.digests == old.digests
    assert library.audit(["elsewhere"])["elsewhere: tide.iso"].verdict.state == "decayed"
    assert good.name == "good.iso"


def test_what_was_found_of_bad_bytes_goes_with_them(library: Library, tide: Path) -> None:
    overwrite(tide, MIB, b"rot")
    library.audit()
    touch(tide, DATE + TICK)
    library.scan()
    moved = library.root.rename(library.root.parent / "elsewhere")
    library.scan()
    add_shelf(library.catalogue, moved, "elsewhere")
    library.scan()
    (new,) = library.catalogue.images(shelf="elsewhere")
    assert new.waiting is not None
    assert (new.state, new.waiting.judged) == ("changed", "decayed")


def test_bad_bytes_under_another_name_are_known(library: Library, tide: Path) -> None:
    overwrite(tide, MIB, b"rot")
    library.audit()
    copy = write(library.root / "copy.iso", tide.read_bytes(), DATE + 9 * TICK)
    assert library.events() == {"copy.iso": "changed"}
    assert row(library, "copy.iso").digests == row(library).digests
    copy.unlink()
    tide.rename(library.root / "renamed.iso")
    library.scan()
    assert library.states() == {
        "home: copy.iso": "missing",
        "home: renamed.iso": "decayed",
    }


def test_a_copy_of_an_image_found_damaged_inside_is_damaged(library: Library, tide: Path) -> None:
    library.catalogue.db.execute("UPDATE images SET verdict = 'damaged', judged_by = 'audit'")
    write(library.root / "copy.iso", SOUND, DATE)
    touch(tide, DATE + TICK)
    assert library.events() == {"copy.iso": "copy", "tide.iso": "confirmed"}
    assert library.states() == {"home: copy.iso": "damaged", "home: tide.iso": "damaged"}


def test_another_disc_of_the_same_name_is_new(library: Library, tide: Path) -> None:
    tide.unlink()
    write(library.root / "sub" / "tide.iso", tide_image(5, label="OTHER", mebibytes=2), DATE)
    assert library.events() == {"sub/tide.iso": "new"}
    assert library.states() == {"home: sub/tide.iso": "recorded", "home: tide.iso": "missing"}


def swap(one: Path, other: Path) -> None:
    aside = one.with_name("aside")
    one.rename(aside)
    other.rename(one)
    aside.rename(other)


def test_two_names_swapped_are_a_swap(library: Library, tide: Path) -> None:
    ebb = write(library.root / "ebb.iso", tide_image(3, label="EBB"), DATE + TICK)
    library.scan()
    ids = {each.label: each.id for each in library.catalogue.images()}
    swap(tide, ebb)
    assert library.events() == {"ebb.iso": "swapped", "tide.iso": "swapped"}
    rows = {each.path: each for each in library.catalogue.images()}
    assert {path: each.label for path, each in rows.items()} == {
        "ebb.iso": "TIDE",
        "tide.iso": "EBB",
    }
    assert {each.label: each.id for each in rows.values()} == ids
    assert {each.state for each in rows.values()} == {"recorded"}
    assert rules(library) == []


def test_three_names_in_a_ring(library: Library, tide: Path) -> None:
    paths = [tide]
    for number in (4, 5):
        path = library.root / f"{number}.iso"
        paths.append(write(path, tide_image(number), DATE + number * TICK))
    library.scan()
    swap(paths[0], paths[1])
    swap(paths[1], paths[2])
    assert set(library.events().values()) == {"swapped"}
    assert set(library.states().values()) == {"recorded"}


def test_a_name_taken_over_by_an_image_of_the_same_size(library: Library, tide: Path) -> None:
    before = row(library).id
    tide.rename(library.root / "tide-1.iso")
    write(tide, tide_image(9, label="NEW", mebibytes=2), DATE + TICK)
    assert library.events() == {"tide-1.iso": "moved", "tide.iso": "new"}
    assert row(library, "tide-1.iso").id == before


def test_an_image_overwritten_by_another_waits_and_says_whose_bytes_it_has(
    library: Library, tide: Path
) -> None:
    ebb = write(library.root / "ebb.iso", tide_image(3, label="EBB"), DATE)
    library.scan()
    write(tide, ebb.read_bytes(), DATE + TICK)
    _, (outcome,) = library.scan()
    assert (outcome.event.value, outcome.detail) == ("changed", "the bytes of home: ebb.iso")


def test_a_moved_image_is_not_missing_too(library: Library, tide: Path) -> None:
    (library.root / "sub").mkdir()
    tide.rename(library.root / "sub" / "tide.iso")
    scan = plan_shelves(library.catalogue, [])
    read_planned(library.catalogue, scan)
    assert [each.event.value for each in scan.outcomes] == ["moved"]
    assert scan.plan.shelves[0].missing == []


def test_exchanged_names_of_one_size_and_date_are_named_by_an_audit(library: Library) -> None:
    """A scan reads no file whose size and date are as recorded; an audit reads them all."""
    tide, ebb = library.root / "tide.iso", library.root / "ebb.iso"
    write(tide, tide_image(1), DATE)
    write(ebb, tide_image(2), DATE)
    library.scan()
    tide.rename(library.root / "aside")
    ebb.rename(tide)
    (library.root / "aside").rename(ebb)
    assert library.events() == {}
    for _ in range(2):
        results = library.audit()
        for one, other in (("tide", "ebb"), ("ebb", "tide")):
            result = results[f"home: {one}.iso"]
            assert result.verdict.state == "changed"
            assert [each.rule for each in result.verdict.findings] == ["name-of-its-bytes"]
            assert result.verdict.findings[0].message == (
                f"this image and home: {other}.iso have each other's bytes: "
                "their names were exchanged"
            )
            assert (result.damage, result.touched) == ((), ())
    assert {each.waiting.judged for each in library.catalogue.images() if each.waiting} == {
        "changed"
    }
    assert library.accept("tide.iso", "ebb.iso") == {"tide.iso": "accepted", "ebb.iso": "accepted"}
    assert {each.verdict.state for each in library.audit().values()} == {"sound"}


def test_a_copy_over_an_image_is_named_by_an_audit(library: Library) -> None:
    tide = write(library.root / "tide.iso", tide_image(1), DATE)
    write(library.root / "ebb.iso", tide_image(2), DATE)
    library.scan()
    write(tide, tide_image(2), DATE)
    results = library.audit()
    assert results["home: ebb.iso"].verdict.state == "sound"
    assert results["home: tide.iso"].verdict.state == "changed"
    (finding,) = results["home: tide.iso"].verdict.findings
    assert finding.message == "its bytes are those on record of home: ebb.iso"


def test_a_copy_of_a_truncated_image_is_no_exchange(library: Library) -> None:
    for name in ("tide.iso", "ebb.iso"):
        write(library.root / name, SOUND[: -(MIB // 2)], DATE)
    library.scan()
    results = library.audit()
    assert {each.verdict.state for each in results.values()} == {"truncated"}
    rules_found = {one.rule for each in results.values() for one in each.verdict.findings}
    assert "name-of-its-bytes" not in rules_found

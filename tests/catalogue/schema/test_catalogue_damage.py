"""A catalogue with one wrong byte: an answer, or an error that says what to do. No traceback."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest

from made_library import DATE, TICK, Library, open_library, overwrite, tide_image, write
from mediashelf.catalogue.auditing.names import plan_audit
from mediashelf.catalogue.bench.session_reading import sessions
from mediashelf.catalogue.history import history_of
from mediashelf.catalogue.images import facts_of, findings_on_record, fixity_record
from mediashelf.catalogue.questions.copies import find_copies
from mediashelf.catalogue.records.earlier import records_of
from mediashelf.catalogue.store import Catalogue, open_catalogue
from mediashelf.errors import CatalogueError, CatalogueTooNewError, InputError
from mediashelf.jobs.library.scanning import plan_shelves, read_planned

PLACES = 500


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, bytes]:
    """A catalogue with something in every table, and its bytes."""
    folder = tmp_path_factory.mktemp("damaged")
    with open_library(folder) as library:
        for number in range(3):
            write(library.root / f"{number}.iso", tide_image(number), DATE)
        write(library.root / "cut.iso", tide_image(9)[:-8192], DATE)
        library.scan()
        write(library.root / "0.iso", tide_image(5), DATE + TICK)
        library.accept("0.iso")
        overwrite(library.root / "1.iso", 40_000, b"\xff")
        library.audit()
        library.catalogue.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return folder, (folder / "catalogue.sqlite").read_bytes()


def ask_everything(catalogue: Catalogue) -> None:
    catalogue.shelves()
    for row in catalogue.images():
        facts_of(catalogue.db, row.id)
        findings_on_record(catalogue.db, row.id)
        history_of(catalogue.db, row.id)
        records_of(catalogue.db, row)
        record = fixity_record(catalogue.db, row)
        if record is not None:
            find_copies(catalogue, row, record)
            for digest in record.digests.values():
                catalogue.images_by_digest(digest)
    catalogue.find("lkvx3")
    catalogue.find("in")
    sessions(catalogue)
    list(plan_audit(catalogue))


def scan_and_audit(catalogue: Catalogue) -> None:
    library = Library(catalogue, catalogue.place.parent / "home")
    read_planned(catalogue, plan_shelves(catalogue, []))
    library.audit()


def outcome(place: Path, question: Callable[[Catalogue], None]) -> str:
    try:
        with open_catalogue(place) as catalogue:
            question(catalogue)
    except (CatalogueError, CatalogueTooNewError) as error:
        assert str(place) in str(error)
        return "refused"
    except InputError:
        return "refused"
    return "answered"


@pytest.mark.parametrize(("question", "places"), [(ask_everything, PLACES), (scan_and_audit, 150)])
def test_one_wrong_byte(
    made: tuple[Path, bytes], question: Callable[[Catalogue], None], places: int
) -> None:
    folder, data = made
    place = folder / "catalogue.sqlite"
    dice = random.Random(9)
    seen = set()
    # The kind of the first page (SQLite file format 1.6) comes first: that is always noticed.
    for at in (100, *(dice.randrange(len(data)) for _ in range(places))):
        for beside in list(folder.glob("catalogue.sqlite-*")):
            beside.unlink()
        wrong = data[at] ^ dice.randrange(1, 256)
        place.write_bytes(data[:at] + bytes([wrong]) + data[at + 1 :])
        try:
            seen.add(outcome(place, question))
        except Exception as error:
            raise AssertionError(f"byte {at} as {wrong:#04x}") from error
    place.write_bytes(data)
    assert seen == {"answered", "refused"}
    assert outcome(place, question) == "answered"

"""Names by example: what a person sees at a DOS prompt and on a desktop."""

from __future__ import annotations

import time

import pytest

from assigned_names import long, short
from mediashelf.building.naming.characters import ascii_text
from mediashelf.building.naming.names import (
    HostName,
    assign_short_names,
    iso_label,
    long_label,
)
from mediashelf.collector import collector_paused


@pytest.mark.parametrize(
    ("host", "expected"),
    [
        ("SETUP.EXE", "SETUP.EXE"),
        ("setup.exe", "SETUP.EXE"),
        ("read me first.txt", "READMEFI.TXT"),
        ("archive.tar.gz", "ARCHIVE_.GZ"),
        ("Grafik für Tölpel.inf", "GRAFIKFU.INF"),
        ("драйвер.sys", "DRAYVER.SYS"),
        ("ドライバー.inf", "DORAIBA.INF"),
        ("HIPPO~A1.PIC", "HIPPO_A1.PIC"),
        ("1999.txt", "1999.TXT"),
        ("page.html", "PAGE.HTM"),
        (".config", "CONFIG"),
        ("notes.", "NOTES"),
        ("CON.TXT", "CON_.TXT"),
        ("com1", "COM1_"),
        ("lpt¹.log", "LPT1_.LOG"),
        ("clock$", "CLOCK_"),
        ("a+b,c=d[1];2", "A_B_C_D_"),
        ("\u0301", "_"),
        ("caf\udce9.txt", "CAF_.TXT"),
    ],
)
def test_short_names(host: str, expected: str) -> None:
    assert short(host) == [expected]


def test_directories_have_no_extension() -> None:
    folder = HostName("Drivers.v2", is_folder=True)
    assert assign_short_names([folder])[folder] == "DRIVERS_"


def test_clashes_are_numbered_and_the_plainest_name_keeps_its_form() -> None:
    assert short("longname two.txt", "longname one.txt", "LONGNAME.TXT") == [
        "LONGNA_3.TXT",
        "LONGNA_2.TXT",
        "LONGNAME.TXT",
    ]
    assert short("readme.txt", "README.TXT", "Readme.txt") == [
        "README_3.TXT",
        "README.TXT",
        "README_2.TXT",
    ]


def test_a_number_never_takes_a_name_that_somebody_has() -> None:
    assert short("longname one.txt", "longname two.txt", "LONGNA_2.TXT") == [
        "LONGNAME.TXT",
        "LONGNA_3.TXT",
        "LONGNA_2.TXT",
    ]


def test_files_and_folders_share_one_set_of_names() -> None:
    names = [HostName("drivers"), HostName("DRIVERS", is_folder=True)]
    assert assign_short_names(names) == {names[1]: "DRIVERS", names[0]: "DRIVER_2"}


@pytest.mark.parametrize(
    ("host", "expected"),
    [
        ("Larkspur Video (rev. 3).inf", "Larkspur Video (rev. 3).inf"),
        ("what?.txt", "what_.txt"),
        ('<a|b>:c;d*e"f\\g', "_a_b__c_d_e_f_g"),
        ("notes. . ", "notes"),
        ("...", "_"),
        ("cafe\u0301.txt", "caf\u00e9.txt"),
        ("harbour 😀.txt", "harbour _.txt"),
        ("caf\udce9.txt", "caf_.txt"),
        ("nul.tar.gz", "nul_.tar.gz"),
        ("CLOCK$", "CLOCK$_"),
        ("x" * 64, "x" * 64),
        ("x" * 80 + ".sys", "x" * 60 + ".sys"),
        ("語" * 64, "語" * 64),
        ("語" * 70 + ".txt", "語" * 60 + ".txt"),
        ("con" + " " * 61 + "x", "con_"),
        ("A sentence. " + "And one that is longer than any extension", None),
    ],
)
def test_long_names(host: str, expected: str | None) -> None:
    assert long(host) == [host if expected is None else expected]


def test_long_names_are_distinct_without_case() -> None:
    assert long("Makefile", "makefile", "MAKEFILE") == ["Makefile_2", "makefile_3", "MAKEFILE"]
    assert long("stra\u00dfe", "strasse") == ["stra\u00dfe", "strasse"]


def test_cut_names_are_numbered_within_their_length() -> None:
    first, second = long("y" * 70 + "1.txt", "y" * 70 + "2.txt")
    assert first == "y" * 60 + ".txt"
    assert second == "y" * 58 + "_2.txt"


def test_labels() -> None:
    assert iso_label("Harbour drivers, disc 1") == "HARBOUR_DRIVERS__DISC_1"
    assert long_label("Harbour drivers, disc 1") == "Harbour drivers,"
    assert iso_label("") == long_label("  ") == "DISC"
    assert iso_label("港") == "GANG"


def test_plain_text_for_the_index() -> None:
    assert ascii_text("Πίνακας ½ \x1b[31m") == "Pinakas 1/2 _[31m"


def test_twenty_thousand_clashes_take_linear_time() -> None:
    def seconds(count: int) -> float:
        names = [HostName(f"driver package {number:06d}.inf") for number in range(count)]
        # Processor time, without the collector: it looks at whatever earlier tests left.
        with collector_paused():
            start = time.process_time()
            assert len(set(assign_short_names(names).values())) == count
            return time.process_time() - start

    # Four times the names may take four times the time, with room for noise; never sixteen.
    # The best of three tries, since a busy machine slows some of them.
    few = min(seconds(5_000) for _ in range(3))
    assert min(seconds(20_000) for _ in range(3)) < 10 * max(few, 0.02)

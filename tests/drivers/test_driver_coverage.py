"""Which package wins a device: published ranks, dates, versions.

Ranks are those of identifier-score--windows-vista-and-later-, which calls lower ones
better; dates and versions those of inf-driverver-directive.
"""

from __future__ import annotations

import pytest

from driver_examples import inf_text, make_tree
from mediashelf.drivers.candidates import Match, Reason, feature_score, reason_lost
from mediashelf.drivers.coverage import Cover, DeviceCover, OfferIndex
from mediashelf.drivers.machines.devices import Device, device_from_ids, pci_device
from mediashelf.drivers.machines.identifiers import Identifier, Identifiers, PciFunction
from mediashelf.drivers.packages.families import FAMILIES, Family, choose_family
from mediashelf.drivers.packages.finding import find_packages, suitability

NT5, NT6, WIN9X = FAMILIES["nt5"], FAMILIES["nt6"], FAMILIES["win9x"]

CARD = pci_device(PciFunction(0xF2C4, 0x0301, (0xF2C4, 0x001E), 0x03, 0x0300, 0x00))
CHIP = "PCI\\VEN_F2C4&DEV_0301"


def plain_device(hardware: list[str], compatible: list[str]) -> Device:
    return Device(
        Identifiers(
            tuple(Identifier(text, position) for position, text in enumerate(hardware)),
            tuple(Identifier(text, position) for position, text in enumerate(compatible)),
        )
    )


def covered(device: Device, infs: dict[str, str], family=NT5) -> DeviceCover:  # type: ignore[no-untyped-def]
    found = find_packages(make_tree({f"/{name}": text for name, text in infs.items()}))
    offers = [(package, suitability(package, family).offers) for package in found.packages]
    return OfferIndex(offers, family).cover(device)


@pytest.mark.parametrize("j", [0, 1, 2, 3])
@pytest.mark.parametrize(
    ("where", "ids", "base"),
    [
        ("hardware", "{}", 0x0000),
        ("hardware", "OTHER,{}", 0x1000),
        ("hardware", "OTHER,A,B,{}", 0x1000),  # the place in the INF does not count here
        ("compatible", "{}", 0x2000),
        ("compatible", "OTHER,{}", 0x3000),
        ("compatible", "OTHER,A,{}", 0x3100),
        ("compatible", ",A,B,{}", 0x3200),
    ],
)
def test_every_band_of_the_identifier_score(j: int, where: str, ids: str, base: int) -> None:
    # identifier-score--windows-vista-and-later-: 0x0000 + j, 0x1000 + j, 0x2000 + j,
    # 0x3000 + j + k * 0x100.
    names = ["BUS\\0", "BUS\\1", "BUS\\2", "BUS\\3"]
    device = plain_device(names, []) if where == "hardware" else plain_device(["X"], names)
    best = covered(device, {"a.inf": inf_text(ids.format(names[j]))}).best
    assert best is not None
    assert best.match.score == base + j


def test_limits_of_the_bands() -> None:
    # identifier-score--windows-vista-and-later-: 0x0000 to 0x0FFF and so on.
    assert Match("", True, 0xFFF, True, 0).score == 0x0FFF
    assert Match("", True, 0, False, 5).score == 0x1000
    assert Match("", False, 0, True, 0).score == 0x2000
    assert Match("", False, 0xFF, False, 0xF).score == 0x3FFF


def test_a_pci_card_by_every_identifier_it_has() -> None:
    # identifiers-for-pci-devices gives the order, the score page the number.
    expected = [
        *((text, position) for position, text in enumerate(CARD.hardware_ids)),
        *(
            (text, 0x2000 + position)
            for position, text in enumerate(CARD.compatible_ids)
            if text not in CARD.hardware_ids
        ),
    ]
    assert len(expected) == 11
    for text, score in expected:
        best = covered(CARD, {"a.inf": inf_text(text.lower())}).best
        assert best is not None
        assert (best.match.identifier, best.match.score) == (text, score)


def test_the_best_of_several_matches_counts() -> None:
    cover = covered(CARD, {"a.inf": inf_text("PCI\\CC_0300", CHIP, f"{CHIP}&REV_03")})
    assert cover.best is not None
    assert cover.best.match.score == 2
    assert len(cover.candidates) == 1


def test_a_lower_score_beats_a_later_date() -> None:
    cover = covered(
        CARD,
        {
            "old.inf": inf_text(f"{CHIP}&SUBSYS_001EF2C4", version="01/01/1998,1.0.0.0"),
            "new.inf": inf_text(CHIP, version="01/01/2004,9.0.0.0"),
        },
    )
    assert [one.package.path for one in cover.candidates] == ["/old.inf", "/new.inf"]
    assert reason_lost(cover.candidates[1], cover.candidates[0]) is Reason.RANK


@pytest.mark.parametrize(
    ("loser", "winner", "reason"),
    [
        # inf-driverver-directive: the later date, then the higher version.
        ("12/31/1999,9.0.0.0", "01/01/2000,1.0.0.0", Reason.DATE),
        ("01/01/2000,5.9.0.0", "01/01/2000,5.10.0.0", Reason.VERSION),
        ("01/01/2000,5.10.0.1", "01/01/2000,5.10.0.2", Reason.VERSION),
        # A malformed date counts as 00/00/0000 (the same page).
        ("1/1/2004,9.0.0.0", "01/01/1998,1.0.0.0", Reason.DATE),
        ("", "01/01/1998", Reason.DATE),
    ],
)
def test_equal_scores_go_by_date_and_then_by_version(
    loser: str, winner: str, reason: Reason
) -> None:
    infs = {"a.inf": inf_text(CHIP, version=loser), "b.inf": inf_text(CHIP, version=winner)}
    cover = covered(CARD, infs)
    assert [one.package.path for one in cover.candidates] == ["/b.inf", "/a.inf"]
    assert reason_lost(cover.candidates[1], cover.candidates[0]) is reason
    assert cover.ties == ()


def test_a_tie_is_told() -> None:
    cover = covered(CARD, {"a.inf": inf_text(CHIP), "b.inf": inf_text(CHIP)})
    assert [one.package.path for one in cover.ties] == ["/b.inf"]
    assert reason_lost(cover.ties[0], cover.candidates[0]) is Reason.TIE


def test_feature_scores_go_before_identifiers_where_they_are_ranked() -> None:
    # how-windows-ranks-driver-packages: 0xSSGGTHHH, so the feature weighs more; 0xFF is default.
    infs = {
        "exact.inf": inf_text(f"{CHIP}&SUBSYS_001EF2C4"),
        "rich.inf": inf_text(CHIP, copies="CopyFiles=@lkv.sys\r\nFeatureScore=0xE0"),
    }
    six = covered(CARD, infs, NT6)
    assert [one.package.path for one in six.candidates] == ["/rich.inf", "/exact.inf"]
    assert [one.rank for one in six.candidates] == [0x00E00003, 0x00FF0001]
    five = covered(CARD, infs, NT5)
    assert [one.package.path for one in five.candidates] == ["/exact.inf", "/rich.inf"]
    assert [one.rank for one in five.candidates] == [0x0001, 0x0003]


@pytest.mark.parametrize(
    ("text", "score"), [("0xE0", 0xE0), ("e0", 0xE0), ("", 0xFF), ("0x100", 0xFF), ("many", 0xFF)]
)
def test_feature_scores(text: str, score: int) -> None:
    inf = inf_text(CHIP, copies=f"FeatureScore={text}")
    (package,) = find_packages(make_tree({"/a.inf": inf})).packages
    assert feature_score(package, "Install") == score


@pytest.mark.parametrize(
    ("excluded", "family", "drives"),
    [
        (f"{CHIP}&SUBSYS_001EF2C4", NT6, False),
        (f"X,{CHIP.lower()}&SUBSYS_001ef2c4", NT6, False),
        ("PCI\\CC_0300", NT6, False),  # a compatible id counts too
        (f"{CHIP}&SUBSYS_0002F2C4", NT6, True),
        (f"{CHIP}&SUBSYS_001EF2C4", FAMILIES["win9x"], True),
    ],
)
def test_an_install_section_may_exclude_devices(
    excluded: str, family: Family, drives: bool
) -> None:
    """ExcludeID of an install section (from memory)."""
    inf = inf_text(CHIP, copies=f"CopyFiles=@lkv.sys\r\nExcludeID={excluded}")
    assert (covered(CARD, {"a.inf": inf}, family).cover is Cover.DRIVER) == drives


def test_generic_matches_are_told_from_others() -> None:
    assert covered(CARD, {"a.inf": inf_text("PCI\\CC_0300")}).cover is Cover.GENERIC
    assert covered(CARD, {"a.inf": inf_text("PCI\\VEN_F2C4")}).cover is Cover.GENERIC
    assert covered(CARD, {"a.inf": inf_text(f"{CHIP}&CC_0300")}).cover is Cover.DRIVER
    assert covered(CARD, {"a.inf": inf_text(f"OTHER,{CHIP}")}).cover is Cover.DRIVER
    assert covered(CARD, {"a.inf": inf_text("PCI\\VEN_F2C4&DEV_0302")}).cover is Cover.NONE


def test_a_board_that_is_not_known_may_have_a_driver() -> None:
    unknown = pci_device(PciFunction(0xF2C4, 0x0301, revision=3))
    board = inf_text(f"{CHIP}&SUBSYS_0007F2C4")
    cover = covered(unknown, {"board.inf": board})
    assert cover.cover is Cover.POSSIBLE
    assert [one.package.path for one in cover.possible] == ["/board.inf"]
    assert covered(CARD, {"board.inf": board}).cover is Cover.NONE
    both = covered(unknown, {"board.inf": board, "chip.inf": inf_text(CHIP)})
    assert both.cover is Cover.DRIVER
    assert [one.package.path for one in both.possible] == ["/board.inf"]


def test_identifiers_of_other_buses_are_compared_as_they_are() -> None:
    # inf-models-section: the serial mouse entry of the page.
    inf = inf_text("*PNP0F0C,SERENUM\\PNP0F0C,SERIAL_MOUSE")
    # A bus that reports this one also reports ACPI\\PNP0F0C, and that first.
    best = covered(device_from_ids(["*pnp0f0c"]), {"mouse.inf": inf}).best
    assert best is not None and best.match.score == 0x0001
    best = covered(device_from_ids(["SERENUM\\PNP0F0C"]), {"mouse.inf": inf}).best
    assert best is not None and best.match.score == 0x1000
    best = covered(device_from_ids(["X"], ["SERIAL_MOUSE"]), {"mouse.inf": inf}).best
    assert best is not None and best.match.score == 0x3100


def test_families_and_releases() -> None:
    assert choose_family("nt5", release=(5, 0)).system.version == (5, 0)
    assert choose_family("nt6", architecture="amd64").release_text == "6.1 on amd64"
    assert choose_family("win9x", architecture="amd64") == WIN9X
    with pytest.raises(ValueError, match=r"no release 6\.0 \(known: 5\.0, 5\.1, 5\.2\)"):
        choose_family("nt5", release=(6, 0))
    with pytest.raises(ValueError, match="leave the release out"):
        choose_family("win9x", release=(4, 0))
    with pytest.raises(KeyError):
        choose_family("nt9")

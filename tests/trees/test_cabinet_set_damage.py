"""Cabinet sets with parts missing, damaged or foreign: whole files are there, the others named."""

from __future__ import annotations

import random
import struct
from pathlib import Path

import pytest

from cabinet_parts import (
    CUTS,
    FILES,
    LAST,
    LONG,
    NAMES,
    content,
    known_and_lost,
    parts_of,
    put,
    refusal,
)
from make_cabinet_sets import split_cabinet
from make_files import MSZIP, STORED, make_cabinet
from mediashelf.errors import FormatError, InputError
from mediashelf.findings import Finding
from mediashelf.formats.packed.cabinets.joined import JoinedCabinet
from mediashelf.trees.as_image import is_closed_here, open_as_image
from mediashelf.trees.bytes import Start
from mediashelf.trees.inside import iter_gaps, iter_trees
from mediashelf.trees.joined.parts import LaterPartError
from mediashelf.trees.opening import open_tree
from mediashelf.trees.tree import Tree

pytest.importorskip("libarchive")


@pytest.mark.parametrize("compression", [MSZIP, STORED])
def test_without_a_part_the_files_of_the_others_are_there(tmp_path: Path, compression: int) -> None:
    put(tmp_path, parts_of(compression=compression))
    (tmp_path / NAMES[1]).unlink()
    whole, lost, said = known_and_lost(tmp_path / NAMES[0])
    assert whole == {"TLAN.INF": LONG["TLAN.INF"]}
    assert lost == {"TLAN.SYS": "it goes on in lan2.cab, which is not beside the archive"}
    assert len(said) == 1
    assert said[0].startswith("lan2.cab of this cabinet in several files is not beside it")
    whole, lost, said = known_and_lost(tmp_path / NAMES[2])
    assert whole == LAST
    why = "it begins before this part, and lan2.cab is not beside the archive"
    assert lost == {"TLAN.SYS": why, "README.TXT": why}
    assert said[0].startswith("lan2.cab of this cabinet")


def test_a_file_of_three_parts_is_lost_without_the_third(tmp_path: Path) -> None:
    put(tmp_path, parts_of())
    (tmp_path / NAMES[2]).unlink()
    whole, lost, _ = known_and_lost(tmp_path / NAMES[0])
    assert list(whole) == ["TLAN.INF"]
    assert list(lost) == ["TLAN.SYS"]
    assert refusal(tmp_path / NAMES[1]).endswith(
        "part 2 of a cabinet in several files; open lan1.cab"
    )


def test_without_the_first_the_earliest_part_opens_the_others(tmp_path: Path) -> None:
    put(tmp_path, parts_of())
    (tmp_path / NAMES[0]).unlink()
    whole, lost, _ = known_and_lost(tmp_path / NAMES[1])
    assert whole == LAST
    assert list(lost) == ["TLAN.SYS", "README.TXT"]
    assert refusal(tmp_path / NAMES[2]).endswith("several files; open lan2.cab")


def test_a_set_of_which_nothing_is_whole_is_refused(tmp_path: Path) -> None:
    files = {"TLAN.SYS": LONG["TLAN.SYS"]}
    put(tmp_path, split_cabinet(make_cabinet([files], compression=MSZIP).data, CUTS, NAMES))
    (tmp_path / NAMES[1]).unlink()
    words = r"part 2 (lan2.cab) is not beside it; put all parts into one folder"
    assert words in refusal(tmp_path / NAMES[0])
    assert refusal(tmp_path / NAMES[2]).endswith("put lan2.cab and all others beside it")
    with open_tree(tmp_path) as whole:
        found = [one for one in iter_trees(whole) if isinstance(one, Finding)]
    assert [Path(one.where).name for one in found] == [NAMES[0], NAMES[2]]
    assert "a later part of a cabinet in several files" in found[1].message
    assert found[1].remedy == "put lan2.cab and all others beside it"


def test_gaps_of_a_set_say_what_to_do(tmp_path: Path) -> None:
    put(tmp_path, parts_of())
    (tmp_path / NAMES[1]).unlink()
    with open_tree(tmp_path / NAMES[0]) as tree:
        gaps = list(iter_gaps(tree))
    assert "1 file in it cannot be read (TLAN.SYS): it goes on in lan2.cab" in gaps[1].message
    assert {one.remedy for one in gaps} == {"Put all parts into one folder"}


def test_parts_of_another_set_and_in_another_order_are_named(tmp_path: Path) -> None:
    parts = parts_of()
    whole = make_cabinet([LONG, LAST], compression=MSZIP).data
    other = split_cabinet(whole, CUTS, NAMES, set_id=78)
    put(tmp_path, parts | {NAMES[1]: other[NAMES[1]]})
    said = refusal(tmp_path / NAMES[0])
    assert "part 2 (lan2.cab) is of another set of cabinets" in said
    assert "its set number is 78, expected 77" in said
    with pytest.raises(LaterPartError, match=r"lan1\.cab beside it is not of the same set") as late:
        open_tree(tmp_path / NAMES[1])
    assert late.value.first == ""
    put(tmp_path, parts | {NAMES[1]: parts[NAMES[2]], NAMES[2]: parts[NAMES[1]]})
    said = refusal(tmp_path / NAMES[0])
    assert "part 2 (lan2.cab) is not the one that follows in the set: it is number 2" in said


@pytest.mark.parametrize("at", [-1, -50_000], ids=["the piece of the next block", "its first"])
def test_a_flipped_byte_refuses_only_the_files_it_is_in(tmp_path: Path, at: int) -> None:
    parts = parts_of()
    middle = bytearray(parts[NAMES[1]])
    middle[at] ^= 0x10
    put(tmp_path, parts | {NAMES[1]: bytes(middle)})
    with open_tree(tmp_path / NAMES[0]) as tree:
        by_name = {one.path: one for one in tree.members}
        assert list(by_name) == list(FILES)
        assert b"".join(tree.stream(by_name["TLAN.INF"])) == FILES["TLAN.INF"]
        with pytest.raises(InputError, match="get the archive again"):
            list(tree.stream(by_name["TLAN.SYS"]))


@pytest.mark.parametrize("compression", [MSZIP, STORED])
@pytest.mark.parametrize("number", [1, 2, 3])
def test_of_a_set_with_a_part_cut_short_the_files_of_the_others_are_there(
    tmp_path: Path, number: int, compression: int
) -> None:
    parts = parts_of(compression=compression)
    name = NAMES[number - 1]
    put(tmp_path, parts | {name: parts[name][:-1]})
    whole, lost, said = known_and_lost(tmp_path / NAMES[0])
    begins = {} if number == 3 else LAST
    crosses = {1: ["TLAN.SYS", "README.TXT"], 2: ["TLAN.SYS", "README.TXT"], 3: list(LAST)}
    assert whole == {name: data for name, data in FILES.items() if name not in crosses[number]}
    assert begins.items() <= whole.items()
    assert list(lost) == crosses[number]
    (words,) = said
    assert words.startswith(f"{name} of this cabinet in several files is damaged: it has")
    assert words.endswith("it is cut short")
    assert all(f"{name}, which is damaged" in why for why in lost.values())


def test_of_a_set_with_a_part_of_other_bytes_all_files_are_named_that_can_be_known(
    tmp_path: Path,
) -> None:
    parts = parts_of()
    put(tmp_path, parts | {NAMES[1]: b"no cabinet at all" * 9})
    with open_tree(tmp_path) as top:
        trees = [one for one in iter_trees(top) if isinstance(one, Tree) and one is not top]
        assert [Path(one.where).name for one in trees] == [NAMES[0], NAMES[2]]
    whole, lost, (words,) = known_and_lost(tmp_path / NAMES[0])
    assert whole == {"TLAN.INF": LONG["TLAN.INF"]}
    assert lost == {"TLAN.SYS": "it goes on in lan2.cab, which is damaged"}
    assert words == (
        "lan2.cab of this cabinet in several files is damaged: 0x0: signature is b'no c', "
        "expected b'MSCF'; files that only it or a later part holds are not listed"
    )
    whole, lost, (words,) = known_and_lost(tmp_path / NAMES[2])
    assert whole == LAST
    assert set(lost.values()) == {"it begins before this part, and lan2.cab is damaged"}


def test_gaps_by_damage_say_what_to_do(tmp_path: Path) -> None:
    parts = parts_of()
    put(tmp_path, parts | {NAMES[1]: parts[NAMES[1]][:-1]})
    with open_tree(tmp_path / NAMES[0]) as tree:
        gaps = list(iter_gaps(tree))
    assert len(gaps) == 2
    assert {one.remedy for one in gaps} == {"Get it again, or another copy of it"}


def test_a_later_part_that_is_cut_short_itself_says_so(tmp_path: Path) -> None:
    parts = parts_of()
    put(tmp_path, parts | {NAMES[1]: parts[NAMES[1]][:-1]})
    size = len(parts[NAMES[1]])
    with pytest.raises(InputError) as caught:
        open_tree(tmp_path / NAMES[1])
    assert str(caught.value).endswith(
        f"lan2.cab: is part 2 of a set of cabinets, and cut short: it has {size - 1:,} bytes, its "
        f"header says {size:,}; get it again"
    )
    assert not is_closed_here(caught.value)
    with open_tree(tmp_path) as top:  # it was named with the first part
        assert [one.where for one in iter_trees(top)][1:] == [str(tmp_path / NAMES[0])]


def test_a_damaged_set_of_which_nothing_is_whole_is_refused(tmp_path: Path) -> None:
    files = {"TLAN.SYS": LONG["TLAN.SYS"]}
    parts = split_cabinet(make_cabinet([files], compression=MSZIP).data, CUTS, NAMES)
    put(tmp_path, parts | {NAMES[1]: parts[NAMES[1]][:-1]})
    words = "lan2.cab of the cabinet is damaged: it has"
    assert words in refusal(tmp_path / NAMES[0])


def test_parts_that_do_not_fit_together_are_named(tmp_path: Path) -> None:
    parts = parts_of()
    renamed = parts[NAMES[1]].replace(b"TLAN.SYS", b"TLAN.BIN")
    put(tmp_path, parts | {NAMES[1]: renamed})
    whole, lost, (words,) = known_and_lost(tmp_path / NAMES[0])
    assert whole == {"TLAN.INF": LONG["TLAN.INF"]} | LAST
    assert list(lost) == ["TLAN.SYS", "README.TXT"]
    assert "files that go on from the part before" in words


def test_of_a_set_that_ends_before_its_files_the_others_are_there(tmp_path: Path) -> None:
    """The second part says that none follows, though its file goes on."""
    parts = parts_of((32_768, 65_536), STORED)
    data = bytearray(parts[NAMES[1]])
    struct.pack_into("<H", data, 30, 1)
    name = b"lan3.cab\0Setup disk\0"
    at = data.index(name)
    del data[at : at + len(name)]
    for place in (8, 16, at):  # the size, and where files and data begin
        struct.pack_into("<I", data, place, struct.unpack_from("<I", data, place)[0] - len(name))
    put(tmp_path, parts)
    assert content(tmp_path / NAMES[0]) == FILES
    put(tmp_path, parts | {NAMES[1]: bytes(data)})
    whole, lost, (words,) = known_and_lost(tmp_path / NAMES[0])
    assert whole == {"TLAN.INF": LONG["TLAN.INF"]}
    assert lost == {"TLAN.SYS": "it goes on in another part, which lan2.cab does not name"}
    assert words == (
        "lan2.cab of this cabinet in several files is damaged: its last file goes on, and it names "
        "no part after it"
    )


def test_random_damage_is_refused_or_joined_within_bounds() -> None:
    parts = list(parts_of((6_000, 60_000)).values())
    sizes = sum(map(len, parts))
    outcomes = set()
    for seed in range(300):
        randomness = random.Random(seed)
        damaged = [bytearray(part) for part in parts]
        for _ in range(randomness.randint(1, 3)):
            part = randomness.choice(damaged)
            at = randomness.randrange(min(len(part), 220))
            part[at] = randomness.choice([0, 0xFF, part[at] ^ 1 << randomness.randrange(8)])
        joined = JoinedCabinet()
        try:
            data = b"".join(
                piece for part in damaged for piece in joined.add(Start(part, len(part)), "a")
            )
            assert len(data) <= sizes
            assert joined.head()[:4] == b"MSCF"
            outcomes.add("joined")
        except FormatError as error:
            outcomes.add(error.field)
    assert {"joined", "signature", "flags", "length of the data block"} <= outcomes


def test_files_that_are_lost_by_a_damaged_part_are_named_where_the_set_is_shown(
    tmp_path: Path,
) -> None:
    parts = parts_of()
    put(tmp_path, parts | {NAMES[1]: parts[NAMES[1]][:30_000]})
    with open_as_image(tmp_path / NAMES[0]) as image:
        damaged, lost = image.findings
    assert damaged.rule == "listing-incomplete"
    assert "2 files in it cannot be read (TLAN.SYS, README.TXT): its data is in" in lost.message
    assert lost.remedy == "Get it again, or another copy of it"
    put(tmp_path, parts)
    with open_as_image(tmp_path / NAMES[0]) as image:
        assert image.findings == ()

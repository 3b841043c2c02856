"""RAR and LHA archives: those in several files, and what the library cannot read of them."""

from __future__ import annotations

import random
import struct
import zlib
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from make_files import make_cabinet, make_rar5
from make_old_archives import (
    make_lha,
    make_rar,
    make_rar5_hard_link,
    make_rar5_part,
    make_rar_parts,
)
from make_wrappings import WRAPPINGS, behind_program, make_zip
from mediashelf.errors import InputError
from mediashelf.findings import Finding
from mediashelf.formats.packed.rar_parts import content_checksums
from mediashelf.trees.bytes import Start
from mediashelf.trees.inside import iter_gaps, iter_trees
from mediashelf.trees.members import MemberKind
from mediashelf.trees.opening import open_tree

pytest.importorskip("libarchive")

CONTENT = bytes(range(256)) * 40
NAMES = ("lan.part1.rar", "lan.part2.rar", "lan.part3.rar")
OLD_NAMES = ("lan.rar", "lan.r00", "lan.r01")


def put_parts(folder: Path, names: tuple[str, ...] = NAMES) -> Path:
    folder.mkdir(exist_ok=True)
    parts = make_rar_parts("LAN/TLAN.SYS", CONTENT, len(names))
    for name, part in zip(names, parts, strict=True):
        (folder / name).write_bytes(part)
    return folder


def walked(place: Path) -> list[str]:
    """Return the files of all archives in a place, and what was said of those not opened."""
    lines = []
    with open_tree(place) as whole:
        for tree in iter_trees(whole):
            if isinstance(tree, Finding):
                lines.append(tree.message)
            elif tree is not whole:
                for one in tree.members:
                    assert b"".join(tree.stream(one)) == CONTENT
                    lines.append(one.path)
    return lines


@pytest.mark.parametrize("names", [NAMES, OLD_NAMES])
def test_parts_are_read_as_one_archive(tmp_path: Path, names: tuple[str, ...]) -> None:
    put_parts(tmp_path / "d", names)
    assert walked(tmp_path / "d") == ["LAN/TLAN.SYS"]
    with open_tree(tmp_path / "d" / names[0]) as tree:
        (member,) = tree.members
        assert b"".join(tree.stream(member)) == CONTENT


def test_parts_in_an_archive_and_behind_a_program(tmp_path: Path) -> None:
    folder = put_parts(tmp_path / "d")
    parts = {name: (folder / name).read_bytes() for name in NAMES}
    (tmp_path / "all.zip").write_bytes(make_zip({f"LAN/{name}": parts[name] for name in NAMES}))
    assert walked(tmp_path / "all.zip") == ["LAN/TLAN.SYS"]
    (folder / NAMES[0]).unlink()
    (folder / "lan.part1.exe").write_bytes(behind_program(parts[NAMES[0]]))
    with open_tree(folder / "lan.part1.exe") as tree:
        assert b"".join(tree.stream(tree.members[0])) == CONTENT


def test_a_part_that_is_not_there_is_named(tmp_path: Path) -> None:
    folder = put_parts(tmp_path / "d")
    (folder / NAMES[1]).unlink()
    with pytest.raises(InputError, match=r"part 2 \(lan\.part2\.rar\) is not beside it"):
        open_tree(folder / NAMES[0])
    (folder / NAMES[0]).unlink()
    (said,) = walked(folder)
    assert said.startswith("not opened: part 3 of a RAR archive in several files")
    with pytest.raises(InputError, match=r"put lan\.part1\.rar and all others beside it"):
        open_tree(folder / NAMES[2])


@pytest.mark.parametrize("number", [1, 2, 3])
def test_a_flipped_byte_in_a_part_is_found(tmp_path: Path, number: int) -> None:
    """Checked here: libarchive 3.6 lets some sets pass with wrong bytes."""
    folder = put_parts(tmp_path / "d")
    path = folder / NAMES[number - 1]
    data = bytearray(path.read_bytes())
    data[-100] ^= 0x10
    path.write_bytes(data)
    with open_tree(folder / NAMES[0]) as tree:
        (member,) = tree.members
        with pytest.raises(InputError, match=r"CRC"):
            list(tree.stream(member))


@pytest.mark.parametrize("make", [make_rar, lambda files: make_rar5(files).data])
def test_a_flipped_byte_in_a_rar_archive_is_found(
    tmp_path: Path, make: Callable[[dict[str, bytes]], bytes]
) -> None:
    """RAR 5: data CRC-32 of a file header (from memory); libarchive 3.6 compares no stored one."""
    files = {"A.SYS": b"a" * 900, "TLAN.SYS": CONTENT, "C.SYS": b"c" * 900}
    data = bytearray(make(files))
    data[data.index(CONTENT) + 100] ^= 0x10
    (tmp_path / "a.rar").write_bytes(data)
    with open_tree(tmp_path / "a.rar") as tree:
        first, wrong, last = tree.members
        assert b"".join(tree.stream(first)) + b"".join(tree.stream(last)) == b"a" * 900 + b"c" * 900
        with pytest.raises(InputError, match=r"its CRC is"):
            list(tree.stream(wrong))


def test_checksums_of_members_in_parts_are_those_of_the_whole(tmp_path: Path) -> None:
    whole = b"".join(make_rar_parts("TLAN.SYS", CONTENT, 3)) + make_rar({"A": b"a"})
    checksums = content_checksums(Start(whole, len(whole)))
    assert checksums == [zlib.crc32(CONTENT), zlib.crc32(b"a")]
    assert content_checksums(Start(whole[:-1], len(whole) - 1)) == checksums
    new = make_rar5({"B": b"b", "A": b"a" * 40}).data
    assert content_checksums(Start(new, len(new))) == [zlib.crc32(b"b"), zlib.crc32(b"a" * 40)]
    assert content_checksums(Start(make_rar5_part(0), 30)) == []


def test_a_later_part_names_the_first(tmp_path: Path) -> None:
    (tmp_path / "a.part1.rar").write_bytes(make_rar5_part(0))
    (tmp_path / "a.part2.rar").write_bytes(make_rar5_part(1))
    with pytest.raises(InputError, match=r"is part 2 of a RAR archive .*; open a\.part1\.rar"):
        open_tree(tmp_path / "a.part2.rar")


def test_hidden_names_are_called_encrypted(tmp_path: Path) -> None:
    path = tmp_path / "a.rar"
    path.write_bytes(make_rar({"A.TXT": b"a"}, hides_names=True))
    with pytest.raises(InputError, match="its list of files is encrypted"):
        open_tree(path)


@pytest.mark.parametrize("name", ["pack.7z", "deflated.zip"])
def test_a_file_cut_into_pieces_is_read_as_one(tmp_path: Path, name: str) -> None:
    data = WRAPPINGS[name]({"TLAN.SYS": CONTENT})
    step = len(data) // 3 + 1
    pieces = {f"{name}.00{n + 1}": data[n * step : (n + 1) * step] for n in range(3)}
    (tmp_path / "d").mkdir()
    for one, piece in pieces.items():
        (tmp_path / "d" / one).write_bytes(piece)
    assert walked(tmp_path / "d") == ["TLAN.SYS"]
    (tmp_path / "all.zip").write_bytes(make_zip(pieces))
    assert walked(tmp_path / "all.zip") == ["TLAN.SYS"]
    (tmp_path / "d" / f"{name}.003").unlink()
    (said,) = walked(tmp_path / "d")
    assert "is cut short" in said


@pytest.mark.parametrize("name", ["disk1.ima", "deflated.zip", "pack.7z", "stored.rar"])
def test_numbered_files_that_are_whole_are_opened_each(tmp_path: Path, name: str) -> None:
    for number in (1, 2, 3):
        data = WRAPPINGS[name]({f"T{number}.INF": CONTENT})
        (tmp_path / f"disk.00{number}").write_bytes(data)
    assert walked(tmp_path) == ["T1.INF", "T2.INF", "T3.INF"]
    if name != "stored.rar":  # which does not say where it ends
        (tmp_path / "disk.002").write_bytes(b"no archive")
        assert walked(tmp_path) == ["T1.INF", "T3.INF"]


def test_a_hard_link_is_no_empty_file(tmp_path: Path) -> None:
    path = tmp_path / "a.rar"
    path.write_bytes(make_rar5_hard_link("TLAN.SYS", b"driver", "COPY.SYS"))
    with open_tree(path) as tree:
        by_name = {one.path: one for one in tree.members}
        assert b"".join(tree.stream(by_name["TLAN.SYS"])) == b"driver"
        assert by_name["COPY.SYS"].kind is MemberKind.LINK


@pytest.mark.parametrize("method", [b"-lh1-", b"-lh4-", b"-lz5-", b"-lzs-"])
def test_old_methods_of_lha_are_listed_and_not_read(tmp_path: Path, method: bytes) -> None:
    """The library gives garbage for these, with a warning that is easily taken for a length."""
    path = tmp_path / "a.lzh"
    path.write_bytes(make_lha({"LAN/TLAN.SYS": CONTENT}, method))
    with open_tree(path) as tree:
        (member,) = tree.members
        assert member.size == len(CONTENT)
        assert member.unreadable is not None
        assert method.decode() in member.unreadable.reason
        with pytest.raises(InputError, match="which the library does not read"):
            next(tree.stream(member))


LHA = {"A.SYS": b"a" * 50, "B.SYS": b"b" * 60, "C.SYS": b"c" * 9}


def test_an_lha_archive_that_is_cut_is_never_taken_for_a_whole_one(tmp_path: Path) -> None:
    """Cut at every byte: the library takes an end between members for the end."""
    whole = make_lha({"A.SYS": b"a" * 9, "B.SYS": b"bb", "C.SYS": b"c"})  # each cut is a process
    path = tmp_path / "a.lzh"
    between = []
    for end in range(22, len(whole)):
        path.write_bytes(whole[:end])
        with suppress(InputError), open_tree(path) as tree:
            said = [one.rule for one in tree.findings]
            if said == ["end-unclear"]:
                between.append(end)
            elif not said:
                with pytest.raises(InputError):
                    [list(tree.stream(one)) for one in tree.members]
    assert len(between) == 3


@pytest.mark.parametrize("level", [0, 2])
def test_what_follows_the_end_of_an_lha_archive_is_named(tmp_path: Path, level: int) -> None:
    path = tmp_path / "a.lzh"
    first, second = make_lha(LHA, level=level), make_lha({"D.SYS": b"d" * 70}, level=level)
    cases = (
        (bytes(200), []),
        (b"\x1a" * 100, []),
        (second, ["listing-incomplete"]),
        (second[5:], ["end-unclear"]),
    )
    for rest, rules in cases:
        path.write_bytes(first + rest)
        with open_tree(path) as tree:
            assert [one.name for one in tree.members] == list(LHA)
            assert [one.rule for one in tree.findings] == rules
    assert f"{len(second) - 5} bytes follow it" in tree.findings[0].message


def program_of_16_bits() -> bytes:
    """A program of DOS of 600 bytes, as its header says (from memory)."""
    head = struct.pack("<2sHHHHHHHHHHHHH", b"MZ", 600 - 512, 2, 0, 2, 0, 0, 0, 0, 0, 0, 0, 28, 0)
    return head + bytes(600 - len(head))


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("setup.exe", program_of_16_bits() + make_lha({"TLAN.SYS": CONTENT})),
        ("even.exe", program_of_16_bits() + b"\0" + make_lha({"TLAN.SYS": CONTENT})),
        ("new.exe", behind_program(make_lha({"TLAN.SYS": CONTENT}))),
        (
            "setup.com",
            b"\xeb\x60" + bytes(20) + b"-lh5-" + bytes(900) + make_lha({"TLAN.SYS": CONTENT}),
        ),
    ],
)
def test_lha_archives_that_unpack_themselves_are_opened(
    tmp_path: Path, name: str, data: bytes
) -> None:
    (tmp_path / name).write_bytes(data)
    with open_tree(tmp_path / name) as tree:
        assert tree.form == "program with an LHA archive in it"
    assert walked(tmp_path) == ["TLAN.SYS"]


def test_a_program_that_only_names_a_method_of_lha_is_none(tmp_path: Path) -> None:
    (tmp_path / "tool.com").write_bytes(b"\xeb\x60" + b"..-lh5-" * 500)
    with pytest.raises(InputError, match="neither a folder nor an image"):
        open_tree(tmp_path / "tool.com")


CUT = sorted(name for name in WRAPPINGS if name.endswith((".7z", ".cab", ".zip", ".exe", ".gz")))


@pytest.mark.parametrize("name", CUT)
def test_what_is_cut_short_is_to_be_got_again(tmp_path: Path, name: str) -> None:
    """No program can unpack it, so that is no way out; no installer of unknown kind either."""
    noise = random.Random(7).randbytes(60_000)
    data = WRAPPINGS[name]({"LAN/TLAN.SYS": noise, "README.TXT": b"Ternfield LAN"})
    (tmp_path / name).write_bytes(data[: len(data) * 6 // 10])
    with open_tree(tmp_path) as whole:
        found = list(iter_trees(whole))[1:]
        said = [one for one in found if isinstance(one, Finding)]
        said += [gap for one in found if not isinstance(one, Finding) for gap in iter_gaps(one)]
    assert any("cut short" in one.message or "Truncated" in one.message for one in said), said
    assert {one.remedy for one in said} == {"Get it again, or another copy of it"}


def test_names_that_are_not_utf_8_are_read(tmp_path: Path) -> None:
    data = bytearray(make_cabinet([{"TREIBER-XX.SYS": b"a"}]).data)
    at = data.index(b"TREIBER-XX")
    data[at + 8 : at + 10] = "\u00fc\u0178".encode("cp1252")
    attributes = struct.unpack_from("<H", data, at - 2)[0]
    struct.pack_into("<H", data, at - 2, attributes & ~0x80)
    path = tmp_path / "a.cab"
    path.write_bytes(data)
    with open_tree(path) as tree:
        (member,) = tree.members
        assert member.name == "TREIBER-\u00fc\u0178.SYS"
        assert b"".join(tree.stream(member)) == b"a"

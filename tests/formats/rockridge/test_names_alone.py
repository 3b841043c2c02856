"""Which records are read by their name alone: those whose other entries fill the area."""

from __future__ import annotations

from typing import Any

import pytest

from byte_views import BytesView
from make_image import make_iso, put
from mediashelf.formats.disc import read_disc
from mediashelf.formats.rockridge import plain_names
from mediashelf.formats.rockridge.system_use import is_only_name

MODE = b"PX\x24\x01" + bytes(32)  # RRIP 4.1.1
NAME = b"NM\x0a\x01\x00setup"  # RRIP 4.1.4
HIDDEN = b"TF\x0e\x01\x00" + NAME[:9]  # dates whose bytes look like a name
LINK = b"CL\x0c\x01" + bytes(8)  # RRIP 4.1.5.1
MORE = b"CE\x1c\x01" + bytes(24)  # SUSP 5.1


@pytest.mark.parametrize(
    ("area", "at", "is_so"),
    [
        (MODE + NAME, len(MODE), True),
        (NAME + MODE + bytes(3), 0, True),  # padding
        (MODE + NAME, 0, False),
        (HIDDEN + NAME, HIDDEN.index(b"NM"), False),
        (HIDDEN + NAME, len(HIDDEN), True),
        (NAME + NAME, 0, False),
        (NAME + LINK, 0, False),
        (MORE + NAME, len(MORE), False),
        (NAME + b"RE\x04\x01", 0, False),
        (NAME + b"ST\x04\x01", 0, False),  # what follows it is no entry
        (MODE[:-1] + NAME, len(MODE) - 1, False),  # the first one ends inside the second
        (NAME + b"PX\x24\x01", 0, False),
        (b"", 0, False),
    ],
)
def test_a_name_alone(area: bytes, at: int, is_so: bool) -> None:
    assert is_only_name(area, at) is is_so


def test_names_of_one_length_are_read_as_others_are(monkeypatch: pytest.MonkeyPatch) -> None:
    """With damage at every byte of a record among many: names and findings are the same."""
    files = {"A.TXT": b"a"} | {f"D/F{number:03d}.TXT": b"x" for number in range(40)}
    long = {path: f"file number {path[3:6]}" for path in files} | {"A.TXT": "file number one"}
    made = make_iso(files, rock_ridge=True, long_names=long)
    asked: list[bool] = []
    quick = plain_names._of_one_length

    def noting(*columns: Any) -> list[bytes] | None:
        names = quick(*columns)
        asked.append(names is not None)
        return names

    def slow(*_: Any) -> None:
        return None

    start = made.record("/D/F020.TXT")
    for at in range(start, start + made.data[start]):
        data = BytesView(put(made.data, at, bytes([made.data[at] ^ 1 << at % 8])))
        with monkeypatch.context() as patched:
            patched.setattr(plain_names, "_of_one_length", noting)
            found = read_disc(data)
            patched.setattr(plain_names, "_of_one_length", slow)
            assert read_disc(data) == found, at - start
    assert set(asked) == {True, False}
    names = [entry.name for entry in read_disc(BytesView(made.data)).facts.volumes[1].entries]
    assert names[-40:] == list(long.values())[1:]


def dated(number: int, *, year: int = 99) -> bytes:
    """Return TF with a date of its own (RRIP 4.1.6), and PX with a serial number (4.1.1)."""
    date = bytes([year, 6, 1, 12, number, 30, 0])
    serial = number.to_bytes(4, "little") + number.to_bytes(4, "big")
    return b"TF\x1a\x01\x0e" + 3 * date + b"PX\x2c\x01" + bytes(32) + serial


def test_dates_and_numbers_of_files_do_not_keep_their_names_from_being_read_alike() -> None:
    known = plain_names.AlikeSurroundings()
    assert known.find(b"", dated(1)) is None
    known.learn(NAME + dated(1), b"", dated(1))
    assert known.find(b"", dated(2)) == {b"NM", b"TF", b"PX"}
    assert known.find(dated(2), b"") is None  # at another place
    known.learn(dated(1) + NAME, dated(1), b"")
    assert known.find(dated(2), b"") is not None
    assert known.find(b"", dated(70)) is None  # no minute of an hour
    assert known.find(b"", dated(2)[:-1] + b"x") is None  # both copies of the number differ
    assert known.find(b"", dated(2)[:-1]) is None
    assert known.find(b"", dated(2) + b"\0") is None
    assert known.find(b"", dated(2).replace(b"PX\x2c\x01\0", b"PX\x2c\x01\1")) is None
    hidden = b"XX\x3a\x01" + dated(1)[:54]  # inside another entry
    known.learn(NAME + hidden, b"", hidden)
    assert known.find(b"", hidden) is None


@pytest.mark.parametrize("place", ["first", "last"])
def test_files_with_dates_of_their_own_are_judged_like_others(
    monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    """With damage at every byte of a record among many: names and findings are the same."""
    files = {f"F{number:03d}.TXT": b"x" for number in range(30)}

    def use(number: int) -> bytes:
        name = b"NM%c\x01\x00file number %d" % (5 + 12 + len(str(number)), number)
        entries = [name, dated(number)]
        return b"".join(entries if place == "first" else entries[::-1])

    uses = {f"/{path}": use(number) for number, path in enumerate(files)}
    announced = b"SP\x07\x01\xbe\xef\x00ER\x12\x01\x0a\x00\x00\x01RRIP_1991A" + dated(0)
    uses |= {"/.": announced, "/..": dated(0)}
    made = make_iso(files, system_use={path: lambda _, own=own: own for path, own in uses.items()})
    facts = read_disc(BytesView(made.data)).facts
    assert [entry.name for entry in facts.volumes[1].entries] == [
        f"file number {number}" for number in range(30)
    ]
    found = []
    find = plain_names.AlikeSurroundings.find
    start = made.record("/F020.TXT")
    for at in range(start, start + made.data[start]):
        data = BytesView(put(made.data, at, bytes([made.data[at] ^ 1 << at % 8])))
        with monkeypatch.context() as patched:
            patched.setattr(
                plain_names.AlikeSurroundings,
                "find",
                lambda *known: found.append(find(*known)) or found[-1],
            )
            quick = read_disc(data)
            patched.setattr(plain_names.AlikeSurroundings, "find", lambda *_: None)
            assert read_disc(data) == quick, at - start
    assert len(list(filter(None, found))) > 20 * made.data[start]

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

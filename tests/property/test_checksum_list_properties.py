"""What is written to a checksum list is read back, whatever the name."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from mediashelf.formats.lists.parse import looks_like_checksum_list, parse_checksum_list
from mediashelf.formats.lists.values import LENGTHS, TAGS, ListForm, format_checksum_line

# Any bytes that a file system may hold in a name, decoded as the operating system does.
names = st.one_of(
    st.text(min_size=1, max_size=40).filter(lambda name: "\0" not in name),
    st.text(alphabet="ab \\\n\r()=*#;.é", min_size=1, max_size=20),
    st.binary(min_size=1, max_size=40)
    .filter(lambda data: b"\0" not in data)
    .map(lambda data: data.decode("utf-8", "surrogateescape")),
)
entries = st.lists(st.tuples(names, st.integers(min_value=0)), min_size=1, max_size=8)


@given(entries, st.sampled_from([*sorted(TAGS), "crc32"]), st.sampled_from(ListForm))
@settings(derandomize=True, deadline=None, max_examples=400)
def test_written_lists_are_read_back(
    items: list[tuple[str, int]], algorithm: str, form: ListForm
) -> None:
    length = LENGTHS[algorithm]
    written = []
    text = ""
    for name, number in items:
        digest = f"{number % 16**length:0{length}x}"
        try:
            text += format_checksum_line(name, digest, algorithm, form)
        except ValueError:
            continue
        written.append((name, digest))
    list_name = "list.sfv" if form is ListForm.SFV else "list"
    data = text.encode("utf-8", "surrogateescape")
    parsed = parse_checksum_list(data, list_name)
    assert parsed.problems == ()
    assert [(line.name, line.digest) for line in parsed.lines] == written
    assert all(algorithm in line.algorithms for line in parsed.lines)
    assert parsed.form == (form if written else None)


@given(st.binary(max_size=300), st.sampled_from(["", "a.sfv", "MD5SUMS"]))
@settings(derandomize=True, deadline=None, max_examples=400)
def test_any_bytes_are_taken(data: bytes, list_name: str) -> None:
    parsed = parse_checksum_list(data, list_name)
    assert (parsed.form is None) == (not parsed.lines)
    assert looks_like_checksum_list(data) in (True, False)

"""Lines of checksum lists: the four forms, escapes, and mistakes with their place."""

from __future__ import annotations

import hashlib

import pytest

from mediashelf.formats.lists.parse import looks_like_checksum_list, parse_checksum_list
from mediashelf.formats.lists.values import ListForm, ListLine, format_checksum_line

# "abc": RFC 1321 A.5, FIPS 180-2 B.1; BLAKE2b from the standard library.
MD5 = "900150983cd24fb0d6963f7d28e17f72"
SHA1 = "a9993e364706816aba3e25717850c26c9cd0d89d"
SHA256 = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
SHA512 = hashlib.sha512(b"abc").hexdigest()
B2 = hashlib.blake2b(b"abc").hexdigest()


@pytest.mark.parametrize(
    ("text", "form", "name", "digest", "algorithms"),
    [
        (f"{SHA256}  a b.txt\n", "plain", "a b.txt", SHA256, ("sha256",)),
        (f"{SHA256.upper()} *a\n", "plain", "a", SHA256, ("sha256",)),
        (f"{SHA1} a\n", "reversed", "a", SHA1, ("sha1",)),
        (f"{MD5}  a\r\n", "plain", "a", MD5, ("md5", "xxh3_128")),
        (f"{SHA512}  a\n", "plain", "a", SHA512, ("sha512", "b2")),
        (f"SHA256 (a) = {SHA256}\n", "tagged", "a", SHA256, ("sha256",)),
        (f"SHA2-256(a)= {SHA256}\n", "tagged", "a", SHA256, ("sha256",)),
        (f"BLAKE2b (a (1)) = {B2}\n", "tagged", "a (1)", B2, ("b2",)),
        (f"MD5 (a) = b) = {MD5}\n", "tagged", "a) = b", MD5, ("md5",)),
        ("44bc2cf5ad770999  a\n", "plain", "a", "44bc2cf5ad770999", ("xxh64", "xxh3_64")),
        ("XXH3_78af5f94892f3950  a\n", "plain", "a", "78af5f94892f3950", ("xxh3_64",)),
        ("32d153ff  a\n", "plain", "a", "32d153ff", ("xxh32", "crc32")),
        ("my file.bin 352441C2\n", "sfv", "my file.bin", "352441c2", ("crc32",)),
        (f"\\{MD5}  a\\\\b\\nc\\rd\n", "plain", "a\\b\nc\rd", MD5, ("md5", "xxh3_128")),
        (f"\\SHA1 (a\\\\b) = {SHA1}\n", "tagged", "a\\b", SHA1, ("sha1",)),
        (f"{MD5}  a\\nb\n", "plain", "a\\nb", MD5, ("md5", "xxh3_128")),
        (f"# note\n\n;old\n{SHA1}  a\n", "plain", "a", SHA1, ("sha1",)),
        (f"{SHA1}  no line end", "plain", "no line end", SHA1, ("sha1",)),
    ],
)
def test_one_line(
    text: str, form: str, name: str, digest: str, algorithms: tuple[str, ...]
) -> None:
    parsed = parse_checksum_list(text.encode())
    assert parsed.problems == ()
    assert parsed.form == form
    line = text.rstrip("\n").count("\n") + 1
    assert parsed.lines == (ListLine(name, digest, algorithms, line),)


@pytest.mark.parametrize(
    ("list_name", "digest", "algorithm"),
    [
        ("MD5SUMS", MD5, "md5"),
        ("disc.xxh128", MD5, "xxh3_128"),
        ("B2SUMS", B2, "b2"),
        ("sub/sha512sums.txt", SHA512, "sha512"),
        ("files.xxh3", "78af5f94892f3950", "xxh3_64"),
        ("files.crc", "352441c2", "crc32"),
    ],
)
def test_the_lists_own_name_settles_the_algorithm(
    list_name: str, digest: str, algorithm: str
) -> None:
    parsed = parse_checksum_list(f"{digest}  a\n".encode(), list_name)
    assert parsed.lines[0].algorithms == (algorithm,)


@pytest.mark.parametrize(
    ("good", "bad"),
    [
        (f"{SHA256}  a", f"{SHA256[:-1]}  b"),  # 63 digits
        (f"{SHA256}  a", f"{SHA256}\tb"),
        (f"{SHA256}  a", f"{SHA256} b"),  # no flag, as the first line has one
        (f"{SHA256}  a", "hello there"),
        (f"{SHA256}  a", f"\\{SHA256}  b\\x"),  # not an escape
        (f"{SHA256}  a", f"\\{SHA256}  b\\"),
        (f"SHA256 (a) = {SHA256}", f"SHA1 (b) = {SHA1}0"),  # 41 digits
        (f"SHA256 (a) = {SHA256}", f"WHIRL (b) = {SHA1}"),
        ("a 352441C2", "b 352441CX"),
    ],
)
def test_a_line_that_is_not_understood_is_named(good: str, bad: str) -> None:
    parsed = parse_checksum_list(f"{good}\n{bad}\n".encode())
    assert [item.line for item in parsed.lines] == [1]
    (problem,) = parsed.problems
    assert (problem.line, problem.found) == (2, bad[:60])
    assert "digits" in problem.expected


def test_names_that_are_no_utf8_survive() -> None:
    parsed = parse_checksum_list(SHA1.encode() + b"  caf\xe9.txt\n")
    assert parsed.lines[0].name == "caf\udce9.txt"


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
def test_lists_with_a_byte_order_mark(encoding: str) -> None:
    parsed = parse_checksum_list(f"{SHA1}  é.txt\r\n".encode(encoding))
    assert [(line.name, line.digest) for line in parsed.lines] == [("é.txt", SHA1)]


@pytest.mark.parametrize(
    "text",
    [
        f"{SHA256}  a\nrest",
        f"MD5 (a) = {MD5}\n",
        "; by hand\na.bin 352441C2\nb.bin 0000",
        SHA1 + " a",
    ],
)
def test_lists_are_recognised_by_their_first_bytes(text: str) -> None:
    assert looks_like_checksum_list(text.encode())


@pytest.mark.parametrize(
    "head",
    [b"", b"\n\n", b"MZ\x90\0", b"[Version]\r\nSignature=$CHICAGO$\r\n", b"deadbeef  a\nb\n"],
)
def test_other_files_are_not(head: bytes) -> None:
    assert not looks_like_checksum_list(head)


@pytest.mark.parametrize(
    ("name", "algorithm", "form"),
    [
        ("a", "crc32", ListForm.PLAIN),
        ("a", "sha256", ListForm.SFV),
        ("a\nb", "crc32", ListForm.SFV),
        (";a", "crc32", ListForm.SFV),
        ("a ", "crc32", ListForm.SFV),
        ("a", "xxh3_64", ListForm.PLAIN),
        (" a", "sha256", ListForm.REVERSED),
    ],
)
def test_what_a_form_cannot_hold_is_refused(name: str, algorithm: str, form: ListForm) -> None:
    with pytest.raises(ValueError, match="form"):
        format_checksum_line(name, "0", algorithm, form)

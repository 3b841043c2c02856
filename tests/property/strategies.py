"""What the property tests draw from; shared by all of them."""

from __future__ import annotations

from hypothesis import strategies as st

_HOSTILE = [
    "CON", "con.txt", "Nul .log", "LPT1", "COM¹.sys", "CLOCK$", "clock$.dat",
    ".config", "..", "...x", "a.", "a ", " a", "a.b.c.d", "archive.tar.gz",
    "README", "readme", "Readme", "README.1", "README.TXT", "readme.txt",
    "caf\u00e9.txt", "cafe\u0301.txt", "stra\u00dfe", "STRASSE", "\u0130stanbul", "istanbul",
    "ドライバー.inf", "драйвер.inf", "😀.txt", "\u202egnp.exe", "\x1b[31mred", "tab\there",
    "LONGNAME1.TXT", "LONGNAME_2.TXT", "LONGNA_2.TXT", "longname 1.txt",
    "x" * 64, "x" * 65 + ".sys",
    'what?*<>|":\\;.txt', "name;1", "name.;1", "HIPPO~A1.PIC",
    b"caf\xe9.txt".decode("utf-8", "surrogateescape"),
    "con" + " " * 61 + "x", "_", "__", "~", "INDEX.TXT", "DEEP",
]  # fmt: skip


def host_names() -> st.SearchStrategy[str]:
    """Names that a POSIX folder can hold: anything but ``/`` and NUL, ``.`` and ``..``.

    Bytes that are no UTF-8 appear as the lone surrogates that Python makes of them.
    """
    anything = st.text(
        st.characters(exclude_characters="/\0", exclude_categories=()), min_size=1, max_size=90
    ).filter(_is_encodable)
    # Few letters, so that clashes are common.
    clashing = st.text("aAbB1_. ~", min_size=1, max_size=12)
    undecodable = st.binary(min_size=1, max_size=12).map(
        lambda data: (
            data.replace(b"/", b"_").replace(b"\0", b"_").decode("utf-8", "surrogateescape")
        )
    )
    names = st.one_of(st.sampled_from(_HOSTILE), clashing, anything, undecodable)
    return names.filter(lambda name: name not in (".", ".."))


def _is_encodable(name: str) -> bool:
    try:
        data = name.encode("utf-8", "surrogateescape")
        return data.decode("utf-8", "surrogateescape") == name
    except UnicodeEncodeError:
        return False

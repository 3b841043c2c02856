"""Characters of names and labels: those allowed, one way to write them, their likeness in ASCII."""

from __future__ import annotations

import re
import unicodedata

NOT_D_CHARACTER = re.compile(r"[^0-9A-Z_]")  # ECMA-119 7.4.1
# Joliet forbids * / : ; ? \ and the controls; Win32 also < > " | and we, for the
# sake of terminals, the second set of controls.
# Three classes, not one: that is made and searched for five times as fast.
NOT_JOLIET = re.compile(r'[\x00-\x1f\x7f-\x9f*/:;?\\<>"|]|[\ud800-\udfff]|[\ufffe-\U0010ffff]')


_NOT_PRINTABLE = re.compile(r"[^ -~]")


def composed(text: str) -> str:
    """Return the text in normalisation form C."""
    return text if text.isascii() else unicodedata.normalize("NFC", text)


def capitals(text: str) -> str:
    """Return capitals one for one, as file systems compare: ``ß`` stays ``ß``."""
    upper = text.upper()
    if len(upper) == len(text):
        return upper
    return "".join(
        character.upper() if len(character.upper()) == 1 else character for character in text
    )


def ascii_text(text: str) -> str:
    """Return printable ASCII that reads like ``text``; what has no likeness becomes ``_``."""
    if not text.isascii():
        text = composed(text).translate(_LIKENESSES)
    return text if text.isascii() and text.isprintable() else _NOT_PRINTABLE.sub("_", text)


class _Likenesses(dict[int, str]):
    """What reads like a character in ASCII, by its code point; found out when first asked for."""

    def __init__(self) -> None:
        super().__init__({code: chr(code) for code in range(128)})

    def __missing__(self, code: int) -> str:
        from anyascii import anyascii  # only for names with letters outside ASCII

        character = chr(code)
        unseen = unicodedata.category(character) in ("Mn", "Me", "Cf", "Lm")
        likeness = anyascii(character) or ("" if unseen else "_")
        if len(self) < 4096:  # names of one disc use few; a bound for all of them
            self[code] = likeness
        return likeness


_LIKENESSES = _Likenesses()


def folded(text: str) -> str:
    """Return the text as file systems without regard to case compare it."""
    return capitals(composed(text))


def same_text(one: str, other: str) -> bool:
    """Return whether two texts are equal once both are normalised."""
    return composed(one) == composed(other)

"""In which scripts the names on a disc are written; which language that is cannot be told."""

from __future__ import annotations

import unicodedata
from collections import Counter

from mediashelf.formats.entries import iter_folders
from mediashelf.formats.volume import DiscFacts

# The first word of a character's name in the Unicode Character Database, and how it is called.
_SCRIPTS = {
    "LATIN": "Latin with accents",
    "CYRILLIC": "Cyrillic",
    "GREEK": "Greek",
    "HEBREW": "Hebrew",
    "ARABIC": "Arabic",
    "THAI": "Thai",
    "HANGUL": "Hangul",
    "HIRAGANA": "Japanese kana",
    "KATAKANA": "Japanese kana",
    "HALFWIDTH": "Japanese kana",
    "CJK": "Han",
    "DEVANAGARI": "Devanagari",
    "ARMENIAN": "Armenian",
    "GEORGIAN": "Georgian",
}


def scripts_of(facts: DiscFacts) -> tuple[str, ...]:
    """Return the scripts of the names beyond plain ASCII, the most used first.

    Names of every tree count; those of ISO 9660 say nothing as a rule.
    """
    counts: Counter[str] = Counter()
    seen: dict[str, str] = {}
    for volume in facts.volumes:
        if volume.label and not volume.label.isascii():
            counts.update(_scripts(volume.label, seen))
        for folder in iter_folders(volume.entries):
            if "".join(folder.names).isascii():
                continue
            for name in folder.names:
                if not name.isascii():
                    counts.update(_scripts(name, seen))
    return tuple(name for name, _ in sorted(counts.items(), key=lambda item: (-item[1], item[0])))


def _scripts(text: str, seen: dict[str, str]) -> set[str]:
    found = set()
    for character in text:
        if character.isascii():
            continue
        if character not in seen:
            word = unicodedata.name(character, "").partition(" ")[0]
            seen[character] = _SCRIPTS.get(word, "") if character.isalpha() else ""
        found.add(seen[character])
    return found - {""}

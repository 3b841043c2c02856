"""Which files are images: by their names, and what their first sectors look like.

* by name alone, letter case aside: ``.iso``, ``.udf``, and cue sheets, ``.cue``; archives,
  ``.zip``, ``.7z``, ``.rar``, ``.lzh``, ``.tar`` and compressed ones; compressed images,
  ``.iso.gz``; floppy images, ``.ima``, ``.imz``, ``.flp``, ``.vfd``;
* ``.img``, ``.bin`` and ``.raw`` when the first sectors look like a disc or a floppy, or a
  sheet of the same name is beside them (other programs use these endings too); ``.cab``, and
  ``.exe`` when it carries an archive.
"""

from __future__ import annotations

from pathlib import Path

SHEET_SUFFIX = ".cue"
SUFFIXES_BY_NAME = (".iso", ".udf", SHEET_SUFFIX)
SUFFIXES_BY_CONTENT = (".img", ".bin", ".raw", ".cab", ".exe")
NEVER_TRACKS = frozenset({".cab", ".exe"})
_PACKERS = (".gz", ".bz2", ".xz", ".lzma")
_TOLD_BY_NAME = (
    *SUFFIXES_BY_NAME,
    *(".zip", ".7z", ".rar", ".lzh", ".lha", ".tar", ".tbz", ".txz"),
    *(f".t{packer[1:]}" for packer in _PACKERS),
    *(kind + packer for kind in (".tar", ".iso", ".img", ".udf", ".bin") for packer in _PACKERS),
    *(".ima", ".imz", ".flp", ".vfd"),
)


def stem_and_suffix(name: str) -> tuple[str, str]:
    """Split a file's name as pathlib does, in a tenth of the time."""
    dot = name.rfind(".")
    return (name[:dot], name[dot:]) if 0 < dot < len(name) - 1 else (name, "")


def looks_like_disc(path: Path) -> bool:
    """Tell from the first sectors whether a file is a disc image; unreadable files are kept.

    A file that cannot be read may well be one: better a finding than silence.
    """
    # Loaded only here: folders of nothing but images need none of it.
    from mediashelf.formats.raw.layout import HEAD_SIZE, begins_scrambled, detect_layout
    from mediashelf.trees.as_image import is_archive

    try:
        with path.open("rb") as file:
            head = file.read(HEAD_SIZE)
            if detect_layout(head) is not None or begins_scrambled(head):
                return True
    except OSError:
        return True
    return is_archive(path)


def told_by_name(name: str) -> bool:
    """Tell from a name in lower case alone whether a file is an image."""
    return name.endswith(_TOLD_BY_NAME)

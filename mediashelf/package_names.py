"""Names of files by which driver packages are known.

Light to load: a disc without any of them holds no package.
"""

from __future__ import annotations

INF_SUFFIX = ".inf"
TEXT_SETUP_NAME = "txtsetup.oem"
SETUP_NAMES = frozenset(
    f"{stem}.{extension}"
    for stem in ("setup", "install", "instalar", "inst")
    for extension in ("exe", "com", "bat")
)
DOS_ALWAYS = (".com", ".dos")
"""Drivers and programs of DOS, whatever their bytes."""
DOS_BY_BYTES = (".sys", ".exe")
"""Those of DOS or of another system: their bytes tell."""
TELLING_SUFFIXES = (INF_SUFFIX, *DOS_ALWAYS, *DOS_BY_BYTES)
TELLING_NAMES = SETUP_NAMES | {TEXT_SETUP_NAME}

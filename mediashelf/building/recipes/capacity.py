"""How much a disc holds: named media, sectors, or bytes."""

from __future__ import annotations

import re

from msgspec import Struct

from mediashelf.amounts import parse_size
from mediashelf.errors import RecipeError
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.text import did_you_mean


class Capacity(Struct, frozen=True):
    """A limit in sectors of 2048 bytes, under the name that the recipe gave it."""

    name: str
    sectors: int
    source: str = ""

    @property
    def size(self) -> int:
        """The limit in bytes."""
        return self.sectors * SECTOR_SIZE

    def percent_of(self, size: int) -> float:
        """Return how full ``size`` bytes make the disc, in per cent."""
        return 100 * size / self.size


_MINUTES = 60 * 75  # sectors: 75 a second
_FAQ = "CD-Recordable FAQ 7-6; real blanks vary"

EMULATED_DRIVE = Capacity(
    "an emulated drive",
    256 * _MINUTES - 1,
    "Linux mass-storage function, storage_common.c: larger images are served cut off",
)

NAMED = {
    "21min": Capacity("21min", 21 * _MINUTES, _FAQ),
    "63min": Capacity("63min", 63 * _MINUTES, _FAQ),
    "74min": Capacity("74min", 74 * _MINUTES, _FAQ),
    "80min": Capacity("80min", 80 * _MINUTES, _FAQ),
    "90min": Capacity("90min", 90 * _MINUTES, _FAQ),
    "99min": Capacity("99min", 99 * _MINUTES, _FAQ),
}


def parse_capacity(text: str) -> Capacity:
    """Return what ``74min``, ``333000 sectors``, ``650 MiB`` or ``681984000 bytes`` mean.

    A bare number is refused, because sectors and bytes differ by a factor of 2048.
    Raises :class:`RecipeError`.
    """
    plain = " ".join(text.split())
    named = NAMED.get(plain.lower().replace(" ", ""))
    if named is not None:
        return named
    sectors = re.fullmatch(r"([0-9][0-9,]{0,14}) sectors?", plain, re.ASCII)
    if sectors:
        return _checked(plain, int(sectors.group(1).replace(",", "")))
    if re.fullmatch(r"[0-9]+", plain, re.ASCII):
        raise RecipeError(f"capacity {text!r}: write '{plain} sectors' or '{plain} bytes'")
    try:
        size = parse_size(re.sub(r" ?bytes?$", "B", plain))
    except ValueError:
        raise RecipeError(
            f"capacity {text!r} is neither a medium ({', '.join(NAMED)}) nor a size such as "
            f"'333000 sectors' or '650 MiB'{did_you_mean(plain, NAMED)}"
        ) from None
    return _checked(plain, size // SECTOR_SIZE)


def _checked(name: str, sectors: int) -> Capacity:
    if sectors < 1:
        raise RecipeError(f"capacity {name!r} holds not even one sector of {SECTOR_SIZE:,} bytes")
    return Capacity(name, sectors)

"""An image, its copies and a place for what they are mended to; blocks are small here."""

from __future__ import annotations

import hashlib
import random
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from mediashelf.integrity.fixity.reading import digest_file
from mediashelf.integrity.fixity.values import FixityRecord
from mediashelf.integrity.mending.mend import mend_image
from mediashelf.integrity.mending.values import Mending

SECTOR = 2048
BLOCK = 16 * SECTOR
BLOCKS = 12
ORIGINAL = random.Random(11).randbytes(BLOCKS * BLOCK - 5 * SECTOR - 700)
SECTORS = -(-len(ORIGINAL) // SECTOR)
ANOTHER = random.Random(12).randbytes(len(ORIGINAL))


def spoil(data: bytes, *sectors: int, by: int = 0x5A) -> bytes:
    """Change every byte of some sectors; another ``by`` gives other wrong bytes."""
    table = bytes(byte ^ by for byte in range(256))
    changed = bytearray(data)
    for sector in sectors:
        part = slice(sector * SECTOR, (sector + 1) * SECTOR)
        changed[part] = changed[part].translate(table)
    return bytes(changed)


def zeroed(data: bytes, *sectors: int) -> bytes:
    changed = bytearray(data)
    for sector in sectors:
        part = slice(sector * SECTOR, (sector + 1) * SECTOR)
        changed[part] = bytes(len(changed[part]))
    return bytes(changed)


def block(number: int, sector: int = 0) -> int:
    """The number of a sector of a block."""
    return number * BLOCK // SECTOR + sector


@dataclass
class Bench:
    """A folder with an image, its copies and a place for the result."""

    folder: Path

    @property
    def image(self) -> Path:
        return self.folder / "image.iso"

    @property
    def output(self) -> Path:
        return self.folder / "mended.iso"

    def record(self, data: bytes = ORIGINAL) -> FixityRecord:
        path = self.folder / "recorded"
        path.write_bytes(data)
        found = digest_file(path, block_size=BLOCK)
        path.unlink()
        return FixityRecord(found.size, 0, found.whole, found.blocks, BLOCK)

    def lay(self, image: bytes, copies: Iterable[bytes]) -> list[Path]:
        self.image.write_bytes(image)
        paths = []
        for number, data in enumerate(copies):
            paths.append(self.folder / f"copy{number}.iso")
            paths[-1].write_bytes(data)
        return paths

    def mend(
        self,
        image: bytes,
        *copies: bytes,
        record: FixityRecord | None = None,
        **options: Any,
    ) -> Mending:
        """Mend, and make sure that no source was touched and that no partial file is left."""
        paths = self.lay(image, copies)
        before = [(path.read_bytes(), path.stat().st_mtime_ns) for path in (self.image, *paths)]
        result = mend_image(self.image, paths, self.output, record=record, **options)
        after = [(path.read_bytes(), path.stat().st_mtime_ns) for path in (self.image, *paths)]
        assert before == after
        assert not [path for path in self.folder.iterdir() if path.name.startswith(".")]
        assert result.is_written == self.output.exists()
        return result

    def equals_original(self) -> bool:
        found = hashlib.sha256(self.output.read_bytes()).hexdigest()
        return found == hashlib.sha256(ORIGINAL).hexdigest()


def rules(result: Mending) -> set[str]:
    return {finding.rule for finding in result.findings}

"""What a scan reads, for the tests of this folder."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from mediashelf.catalogue.scanning.reading import image as reading
from mediashelf.integrity.fixity.reading import digest_file


@pytest.fixture
def reads(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of the files whose bytes are read, from now on."""
    names: list[str] = []

    def counting(path: Path, **options: Any) -> Any:
        names.append(path.name)
        return digest_file(path, **options)

    monkeypatch.setattr(reading, "digest_file", counting)
    return names

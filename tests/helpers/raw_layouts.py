"""Raw images of every layout, and what their audit answers."""

from __future__ import annotations

from pathlib import Path

from make_raw import form_1_image, mode_1_image, noise, with_subchannel, without_headers, write_disc
from mediashelf.integrity.raw.auditing import RawReport, audit_raw

SECTORS = 600  # more than are read at once
DATA = noise(SECTORS * 2048, 11)
MODE_1 = mode_1_image(DATA)
FORM_1 = form_1_image(DATA)
LAYOUTS = {
    "MODE1/2352": MODE_1,
    "MODE1/2448": with_subchannel(MODE_1),
    "MODE2/2336": without_headers(FORM_1),
    "MODE2/2352": FORM_1,
    "MODE2/2448": with_subchannel(FORM_1),
}


def counts(report: RawReport) -> dict[str, int]:
    return {verdict.value: count for verdict, count in report.counts.items() if count}


def rules(report: RawReport) -> list[str]:
    return sorted({finding.rule for finding in report.findings})


def audit(
    folder: Path, image: bytes, kind: str = "MODE1/2352", *, parity: bool = False
) -> RawReport:
    return audit_raw(write_disc(folder, image, kind), parity=parity)


HEADED = [kind for kind in LAYOUTS if kind != "MODE2/2336"]

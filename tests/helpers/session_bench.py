"""A small workshop for tests of sessions: images, a recipe, a plan, a card."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from make_image import Boot, make_iso
from mediashelf.jobs.session_recipes import recipe_planner
from mediashelf.readability.targets import load_targets
from mediashelf.sessions.plans.resolve import Library
from mediashelf.sessions.plans.session_plan import load_plan
from mediashelf.sessions.prepare import PreparedCard, hold_session, stage_session
from plan_texts import NoLibrary

CREATED = "2026-11-25T07:00:00Z"
LATER = "2026-12-24T18:00:00Z"


def noise(name: str, size: int) -> bytes:
    """Bytes that depend on ``name`` alone and compress badly."""
    return hashlib.shake_128(name.encode()).digest(size)


def system_image(size: int = 800_000) -> bytes:
    """A bootable disc with Joliet that the target win9x reads."""
    files = {"SETUP.EXE": noise("setup", size), "FILES/KIOSK1.CAB": noise("cab", 20_000)}
    boot = Boot(image=noise("floppy", 1_474_560), media=2, sectors=1)
    return make_iso(files, label="KIOSK_SYSTEM", joliet=3, boot=boot).data


def slides_image(size: int = 700_000) -> bytes:
    """A plain disc with Joliet."""
    return make_iso({"SLIDE1.BMP": noise("slide", size)}, label="SLIDES", joliet=3).data


@dataclass(frozen=True)
class Bench:
    """The folders of one test."""

    folder: Path

    @property
    def card(self) -> Path:
        return self.folder / "card"

    @property
    def plan(self) -> Path:
        return self.folder / "session.toml"

    @property
    def system(self) -> Path:
        return self.folder / "library" / "system.iso"

    @property
    def slides(self) -> Path:
        return self.folder / "library" / "slides.iso"

    def write_plan(self, *discs: str, top: str = "") -> None:
        tables = "".join(f"\n[[disc]]\n{text}\n" for text in discs)
        self.plan.write_text(
            f'name = "Tide-table kiosk"\nmachine = "Kiosk PC, 1999"\ntargets = ["win9x"]\n'
            f"{top}\n{tables}",
            "utf-8",
        )

    def on_card(self) -> dict[str, bytes]:
        """Every file on the card with its bytes."""
        return {path.name: path.read_bytes() for path in self.card.iterdir() if path.is_file()}

    def images_on_card(self) -> list[str]:
        return sorted(path.name for path in self.card.glob("*.iso"))

    def inodes(self) -> dict[str, int]:
        return {path.name: path.stat().st_ino for path in self.card.glob("*.iso")}

    def prepare(
        self,
        *,
        library: Library | None = None,
        anyway: bool = False,
        tidy: bool = False,
        created: str = CREATED,
        sheets: Callable[..., Mapping[str, bytes]] | None = None,
        on_bytes: Callable[[int], None] = lambda count: None,
    ) -> PreparedCard:
        plan, targets = load_plan(self.plan), load_targets()
        with hold_session(
            plan,
            self.card,
            library or NoLibrary(),
            targets,
            tidy=tidy,
            plan_recipe=recipe_planner(targets, plan.targets),
        ) as session:
            return stage_session(
                session,
                sheets or (lambda manifest: {"run-sheet.txt": manifest.created.encode()}),
                created=created,
                anyway=anyway,
                tidy=tidy,
                on_bytes=on_bytes,
            )


SYSTEM_DISC = 'image = "library/system.iso"\npurpose = "Install the system"'
DRIVER_DISC = 'recipe = "drivers.toml"\npurpose = "Drivers"\nafter = "library/system.iso"'
SLIDES_DISC = 'image = "library/slides.iso"\npurpose = "Slides"'


def make_bench(folder: Path) -> Bench:
    """Make images, a recipe with its folder, a plan of three discs, and an empty card."""
    bench = Bench(folder)
    bench.card.mkdir()
    bench.system.parent.mkdir()
    bench.system.write_bytes(system_image())
    bench.slides.write_bytes(slides_image())
    drivers = folder / "drivers" / "VIDEO"
    drivers.mkdir(parents=True)
    for name in ("LKVX3.INF", "LKVX3.VXD"):
        (drivers / name).write_bytes(noise(name, 400_000))
        os.utime(drivers / name, (922_000_000, 922_000_000))
    (folder / "drivers.toml").write_text(
        'label = "KIOSKDRV"\ntargets = ["win9x"]\n\n[[folder]]\nfrom = "drivers"\nto = "/"\n'
    )
    bench.write_plan(SYSTEM_DISC, DRIVER_DISC, SLIDES_DISC)
    return bench

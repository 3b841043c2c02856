"""Facts about discs, made by hand from paths: what a reader or a plan would say.

>>> disc(iso={"SETUP/": 0, "SETUP/DATA1.CAB": 5000}, joliet={"Setup/": 0, …})

Equal positions in the two mappings share one place on the disc, as on a sound
disc with two trees. A key that ends in ``/`` is a directory; folders on the way
are not made. A value is a size in bytes, or a list of sizes for a file in
several sections.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from mediashelf.formats.volume import (
    FLAG_DIRECTORY,
    BootEntry,
    BootFacts,
    DiscFacts,
    Entry,
    Extent,
    VolumeFacts,
    VolumeKind,
)

Paths = Mapping[str, "int | list[int]"]


def entries(paths: Paths, *, first_lba: int = 100) -> tuple[Entry, ...]:
    made = []
    for number, (key, sizes) in enumerate(paths.items()):
        path = "/" + key.strip("/")
        name = path.rpartition("/")[2]
        lba = first_lba + 10 * number
        if key.endswith("/"):
            extents = (Extent(lba + 5, 2048),)
            made.append(Entry(path, name, 2048, True, extents, flags=FLAG_DIRECTORY))
            continue
        sizes = sizes if isinstance(sizes, list) else [sizes]
        extents = tuple(Extent(lba + at, size) for at, size in enumerate(sizes) if size)
        made.append(Entry(path, f"{name};1", sum(sizes), False, extents))
    return tuple(made)


def volume(kind: VolumeKind, paths: Paths, *, label: str = "DISC", **more: object) -> VolumeFacts:
    return VolumeFacts(kind, label, entries(paths), **more)  # type: ignore[arg-type]


def disc(
    *,
    iso: Paths | None = None,
    joliet: Paths | None = None,
    rockridge: Paths | None = None,
    others: Sequence[VolumeFacts] = (),
    boot: BootFacts | None = None,
    size: int = 10_000_000,
) -> DiscFacts:
    volumes = [
        volume(kind, paths)
        for kind, paths in (
            (VolumeKind.ISO9660, iso),
            (VolumeKind.JOLIET, joliet),
            (VolumeKind.ROCKRIDGE, rockridge),
        )
        if paths is not None
    ]
    return DiscFacts(size, (*volumes, *others), boot)


def udf(detail: str = "NSR02", revision: int | None = None) -> VolumeFacts:
    return VolumeFacts(
        VolumeKind.UDF, "DISC", detail=detail, entries_read=False, udf_revision=revision
    )


def boot(*media: int, platform: int = 0, is_bootable: bool = True) -> BootFacts:
    made = tuple(
        BootEntry(platform, is_bootable, kind, 0x7C0, 0, 4, 50 + number, 2048, section=number)
        for number, kind in enumerate(media)
    )
    return BootFacts(40, "", True, made)

"""Trees of invented driver packages for tests of building and of spreading."""

from __future__ import annotations

import random


def inf_text(maker: str, model: str, identifier: str, *files: str, provider: str = "") -> str:
    """The text of an INF with one model, that asks for files beside it."""
    lines = [
        "[Version]",
        'Signature="$CHICAGO$"',
        "Class=Display",
        f"Provider={provider or maker}",
        "DriverVer=03/18/1999,4.10.3.204",
        "[Manufacturer]",
        f"{maker}=Models",
        "[Models]",
        f"{model}=Install,{identifier}",
        "[Install]",
        "CopyFiles=Files",
        "[Files]",
        *files,
        "[DestinationDirs]",
        "DefaultDestDir=11",
        "[SourceDisksNames]",
        "1=disk",
        "[SourceDisksFiles]",
        *(f"{file}=1" for file in files),
        "",
    ]
    return "\r\n".join(lines)


def inf(name: str = "LKV", identifier: str = "PCI\\VEN_F2C4&DEV_0301", *more: str) -> bytes:
    """An INF that asks for NAME.SYS beside it, and for the files ``more``."""
    files = [f"{name}.SYS", *more]
    model = f"Larkspur {name}"
    return inf_text("Larkspur", model, identifier, *files, provider="Larkspur Video").encode(
        "ascii"
    )


def noise(seed: object, size: int) -> bytes:
    """Bytes that nothing else equals."""
    return random.Random(str(seed)).randbytes(size)


def package(folder: str, size: int, name: str = "LKV") -> dict[str, bytes]:
    """A package of about ``size`` bytes: its INF and one file."""
    return {f"{folder}/{name}.INF": inf(name), f"{folder}/{name}.SYS": noise(folder, size)}

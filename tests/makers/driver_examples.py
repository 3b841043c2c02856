"""Makers of INF texts and trees for the tests; every vendor and number is invented."""

from __future__ import annotations

from collections.abc import Mapping

from mediashelf.drivers.packages.tree import PackageTree, TreeFile


def inf_text(
    *models: str,
    signature: str = "$CHICAGO$",
    version: str = "03/18/1999,4.10.3.204",
    decorations: str = "",
    copies: str = "CopyFiles=@lkv.sys",
    files: str = "lkv.sys=1",
    disks: str = "1=disk",
    more: str = "",
) -> str:
    """Return an INF with one install section ``Install`` and these models entries' ids."""
    lines = [f"%Lkv%=Install,{ids}" for ids in models]
    return "\r\n".join(
        [
            "[Version]",
            f'Signature="{signature}"',
            "Class=Display",
            f"DriverVer={version}",
            "[Manufacturer]",
            f"%Maker%=Models{decorations}",
            "[Models]",
            *lines,
            "[Install]",
            copies,
            "[DestinationDirs]",
            "DefaultDestDir=11",
            "[SourceDisksNames]",
            disks,
            "[SourceDisksFiles]",
            files,
            more,
            "[Strings]",
            'Maker="Larkspur Video"',
            'Lkv="Larkspur Video 3"',
            "",
        ]
    )


def make_tree(
    files: Mapping[str, str | bytes],
    *,
    hidden: Mapping[str, str] | None = None,
    kind: str = "joliet",
    name: str = "disc",
    **others: object,
) -> PackageTree:
    """Return a tree of these contents by path; ``hidden`` maps paths to hidden paths.

    A path that starts with ``-`` is seen in the hidden tree only.
    """
    contents = {
        path: data.encode("cp1252") if isinstance(data, str) else data
        for path, data in files.items()
    }
    hidden = hidden or {}
    listed = tuple(
        TreeFile("", len(data), path[1:])
        if path.startswith("-")
        else TreeFile(path, len(data), hidden.get(path, ""))
        for path, data in contents.items()
    )

    def read(file: TreeFile, limit: int) -> bytes:
        return contents[file.path or "-" + file.hidden_path][:limit]

    return PackageTree(name, kind, listed, read, **others)  # type: ignore[arg-type]

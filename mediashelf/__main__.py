"""Start the command line: ``mediashelf`` and ``python -m mediashelf``."""

from __future__ import annotations

import os
import sys

from mediashelf import __version__


def version_text() -> str:
    """Return the version, with what a report of a fault should say of the place it runs in."""
    python = ".".join(map(str, sys.version_info[:3]))
    if sys.platform == "win32":
        windows = sys.getwindowsversion()
        system = f"Windows {windows.major}.{windows.minor}.{windows.build}"
    else:
        names = os.uname()
        system = f"{names.sysname} {names.release} {names.machine}"
    return f"mediashelf, version {__version__}\nPython {python}, {system}"


def run() -> None:
    """Run the command that the arguments name."""
    if sys.argv[1:] == ["--version"]:
        # As the command group says it, without loading it: that is most of a start.
        sys.stdout.write(f"{version_text()}\n")
        return
    try:
        from mediashelf.cli.main import main

        main()
    except KeyboardInterrupt:  # while it is loaded; later the command group answers
        raise SystemExit(130) from None  # 128 + SIGINT, as shells report it


if __name__ == "__main__":
    run()

"""Start the command line: ``mediashelf`` and ``python -m mediashelf``."""

from __future__ import annotations

import sys

from mediashelf import __version__


def run() -> None:
    """Run the command that the arguments name."""
    if sys.argv[1:] == ["--version"]:
        # As the command group says it, without loading it: that is most of a start.
        sys.stdout.write(f"mediashelf, version {__version__}\n")
        return
    from mediashelf.cli.main import main

    main()


if __name__ == "__main__":
    run()

"""Start the command line: ``mediashelf`` and ``python -m mediashelf``."""

from __future__ import annotations

import gc
import sys

from mediashelf.version import version_text


def run() -> None:
    """Run the command that the arguments name."""
    if sys.argv[1:] == ["--version"]:
        # As the command group says it, without loading it: that is most of a start.
        sys.stdout.write(f"{version_text()}\n")
        return
    # What a command loads and makes lives until it ends; looking for garbage in it takes a fifth
    # of the time where there is much.
    gc.set_threshold(100_000, 20, 20)
    try:
        from mediashelf.cli.main import main

        main()
    except KeyboardInterrupt:  # while it is loaded; later the command group answers
        raise SystemExit(130) from None  # 128 + SIGINT, as shells report it
    finally:
        gc.freeze()  # what still lives is not looked through for garbage on the way out


if __name__ == "__main__":
    run()

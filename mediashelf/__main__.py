"""Run the command line: ``mediashelf``, or ``python -m mediashelf``.

It imports nothing before Ctrl-C has its answer, since loading takes a moment too.
"""


def main() -> None:
    """Load the program and run it."""
    try:
        from mediashelf.cli.main import main as commands

        commands()
    except KeyboardInterrupt:
        raise SystemExit(130) from None  # 128 + SIGINT, as shells report it


if __name__ == "__main__":
    main()

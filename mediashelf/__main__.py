"""Run the command line with ``python -m mediashelf``."""

from mediashelf.cli.main import main

if __name__ == "__main__":
    main()

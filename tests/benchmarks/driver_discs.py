"""Judge forty driver packages for a machine of twelve devices, spread them, read them back.

Usage: python tests/benchmarks/driver_discs.py [FOLDER]
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "makers"))
sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))

from forty_packages import write_packages
from measure import MEDIASHELF, row, run


def shown(*arguments: str) -> None:
    """Run a command and let its answer through."""
    print(f"$ mediashelf {' '.join(arguments)}", flush=True)
    subprocess.run([*MEDIASHELF, *arguments], check=False)
    print(flush=True)


def found(*arguments: str) -> dict[str, Any]:
    command = [*MEDIASHELF, *arguments, "--json", "--fail-on", "never"]
    answer = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    loaded: dict[str, Any] = json.loads(answer)
    return loaded


def table(answer: dict[str, Any]) -> list[tuple[str, str, str]]:
    return [
        (device["name"], device["cover"], (device["package"] or {"inf": ""})["inf"].lower())
        for device in answer["targets"][0]["devices"]
    ]


def main() -> None:
    work = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp())
    work.mkdir(parents=True, exist_ok=True)
    made = write_packages(work)
    recipe, machine, discs = str(made.recipe), str(made.machine), str(work / "discs")
    shown("build", recipe, "--spread", "-o", discs, "--replace")
    written = sorted(str(path) for path in Path(discs).glob("*.iso"))
    of_sources = table(found("drivers", recipe, "-m", machine, "-t", "win9x"))
    of_discs = table(found("drivers", *written, "-m", machine, "-t", "win9x"))
    print(f"{len(made.packages)} packages, {len(of_sources)} devices, {len(written)} discs")
    verdict = "equal to" if of_discs == of_sources else "DIFFERENT from"
    print(f"coverage read from the written discs is {verdict} that of the sources")
    row("planning the series", run([*MEDIASHELF, "build", recipe, "--spread", "-n", "-q"]))


if __name__ == "__main__":
    main()

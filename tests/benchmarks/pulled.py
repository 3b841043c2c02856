"""Fill a card up and pull it at ten random moments, on every kind of card that can be had here.

Usage: python tests/benchmarks/pulled.py   (as root, for file systems of their own)
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "makers"))
sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))

from pulled_cards import (
    ROUNDS,
    Fat32Card,
    Puller,
    RenamedCard,
    TmpfsCard,
    missing_for,
    open_card,
    put_theirs,
)
from session_bench import make_bench


def main() -> None:
    for kind in (RenamedCard, TmpfsCard, Fat32Card):
        print(f"{kind.name}:", missing_for(kind) or "")
        if missing_for(kind):
            continue
        with tempfile.TemporaryDirectory() as folder:
            bench = make_bench(Path(folder))
            with open_card(kind, bench.card) as card:
                put_theirs(card.folder)
                puller = Puller(bench, card)
                puller.measure()
                if kind is not RenamedCard:
                    puller.fill_up()
                for number in range(ROUNDS):
                    puller.pull_once(number)
                puller.complete()


if __name__ == "__main__":
    main()

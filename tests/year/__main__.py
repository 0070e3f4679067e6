"""Command: writes a year as JSON Lines."""

import argparse
import json
import sys
from collections.abc import Iterator
from pathlib import Path

from .aims import AIMS, FAULTS, REASONS
from .labels import truth
from .laboratory import year
from .messages import message


def lines(seed: int, count: int, rate: float = 1.0) -> Iterator[str]:
    """Yield the lines of the file: the header, then one specimen each."""
    header = {
        "cases": 1,
        "title": f"an invented year, seed {seed}, {count} specimens, faults x {rate:g}",
        "connection": {"units": {"mEq/L": "mmol/L"}, "flags": {"SHORT": "hold"}},
        "faults": FAULTS,
        "reasons": REASONS,
        "aims": AIMS,
    }
    yield json.dumps(header)
    for item in year(seed, count, rate):
        yield json.dumps({"message": message(item), "truth": truth(item)})


def main() -> None:
    """Parse and write."""
    parser = argparse.ArgumentParser(prog="python -m year", description=__doc__)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--specimens", type=int, default=20000)
    parser.add_argument("--faults", type=float, default=1.0, metavar="TIMES")
    parser.add_argument("--out", type=Path, required=True, metavar="FILE")
    args = parser.parse_args()
    with args.out.open("w", encoding="utf-8") as file:
        for number, line in enumerate(lines(args.seed, args.specimens, args.faults)):
            file.write(line + "\n")
            if number % 1000 == 0 and sys.stderr.isatty():
                print(f"\r{number}/{args.specimens}", end="", file=sys.stderr, flush=True)


if __name__ == "__main__":
    main()

"""A long run against one target: ``python -m fuzz.campaign reader --seconds 600`` in `tests`.

It counts what it executed, and keeps each input that raised something, once per place, in the
folder ``--found``. With ``--atheris`` inputs are led by what code they reach (pip install atheris);
without, seeds are changed at random.
"""

import argparse
import hashlib
import sys
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from random import Random

from fuzz.mutate import mutated
from fuzz.targets import TARGETS, seeds

_EVERY = 5000


def main() -> int:
    """Run one target and print how often; 1 when something was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", choices=sorted(TARGETS))
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--found", type=Path, default=Path("found"))
    parser.add_argument("--atheris", action="store_true")
    chosen = parser.parse_args()
    if chosen.atheris:
        return _led(chosen.target, chosen.seconds, chosen.found)
    return _at_random(chosen.target, chosen.seconds, chosen.seed, chosen.found)


def _at_random(name: str, seconds: float, seed: int, found: Path) -> int:
    random, end = Random(seed), time.monotonic() + seconds
    places: set[str] = set()
    executions = 0
    while time.monotonic() < end:
        for _ in range(100):
            _run(TARGETS[name], mutated(random, seeds(name)), found / name, places)
        executions += 100
        if executions % _EVERY == 0:
            print(f"{name}: {executions} executions, {len(places)} places found", flush=True)
    print(f"{name}: {executions} executions, {len(places)} places found, done", flush=True)
    return 1 if places else 0


def _run(target: Callable[[bytes], None], data: bytes, found: Path, places: set[str]) -> None:
    try:
        target(data)
    except Exception as error:  # whatever it is, it is not what was promised
        frame = traceback.extract_tb(error.__traceback__)[-1]
        place = f"{type(error).__name__} {frame.filename}:{frame.lineno}"
        if place not in places:
            places.add(place)
            found.mkdir(parents=True, exist_ok=True)
            (found / hashlib.sha256(data).hexdigest()[:12]).write_bytes(data)
            print(f"found: {place}: {error}", flush=True)


def _led(name: str, seconds: float, found: Path) -> int:
    import atheris

    corpus = found / f"{name}-corpus"
    corpus.mkdir(parents=True, exist_ok=True)
    for data in seeds(name):
        (corpus / hashlib.sha256(data).hexdigest()[:12]).write_bytes(data[:4000])
    atheris.instrument_all()
    options = [f"-max_total_time={int(seconds)}", "-max_len=4000", "-print_final_stats=1"]
    options += [f"-artifact_prefix={found / name}-"]
    atheris.Setup([sys.argv[0], str(corpus), *options], TARGETS[name])
    atheris.Fuzz()
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""How long an edit of a rule set takes to be checked while somebody writes, as the page does it."""

import re
import time
from collections.abc import Iterator
from pathlib import Path
from random import Random

from verifier.bench.measure import Measured
from verifier.rulefiles import read_files
from verifier.store.rulerows import RuleTexts
from verifier.web.livecheck import LiveCheck

EDITS = 40
_NUMBER = re.compile(r"\d+")


def measure_edits(rules: Path) -> tuple[Measured, list[float]]:
    """Return checks a second of small edits against checks from nothing, and the seconds of each.

    Edits are drawn by a fixed seed: a digit, a line more, a comment at the top, a letter less. What
    can still be used is the ground of the next edit, as when somebody writes.
    """
    files, _ = read_files(rules)
    live = LiveCheck()
    began = time.perf_counter()
    live.check("bench", RuleTexts(files, {}))
    whole = time.perf_counter() - began
    taken = []
    for name, text in _edits(files):
        edited = files | {name: text}
        began = time.perf_counter()
        usable = live.check("bench", RuleTexts(edited, {})).program
        taken.append(time.perf_counter() - began)
        if usable:
            files[name] = text
    rate = len(taken) / sum(taken)
    return Measured("edit", "checks/s", rate, "check from nothing", 1 / whole), taken


def _edits(files: dict[str, str]) -> Iterator[tuple[str, str]]:
    random = Random(7)  # noqa: S311 - nothing secret
    for _ in range(EDITS):
        name = random.choice(sorted(files))
        lines = files[name].split("\n")
        at = random.randrange(len(lines))
        match random.choice(("digit", "digit", "line", "comment", "letter")):
            case "digit":
                lines[at] = _NUMBER.sub(lambda found: str(int(found[0]) + 1), lines[at], count=1)
            case "line":
                lines.insert(at, "")
            case "comment":
                lines.insert(0, "# a remark")
            case "letter":
                lines[at] = lines[at][:-1]
        yield name, "\n".join(lines)

"""Control results of a file, into the database: judged as if they had come over the line."""

from collections.abc import Callable, Sequence
from datetime import datetime

from msgspec import Struct
from msgspec.structs import replace

from verifier.service.controlling import Controls
from verifier.service.levels import named, of_level
from verifier.store.qualityrows import ControlResult
from verifier.store.transaction import Transaction

Line = tuple[ControlResult, str, str]


class Imported(Struct, frozen=True):
    """What became of the lines of a file."""

    new: int
    known: int
    not_judged: tuple[str, ...]


def take_lines(
    tx: Transaction,
    controls: Controls,
    who: str,
    lines: Sequence[Line],
    now: datetime,
    *,
    history: bool,
    told: Callable[[int, int], None] = lambda done, of: None,
) -> Imported:
    """Store and judge measurements, oldest first. Lines stored before are passed over.

    With `history` they are judged for charts and figures, and nothing follows: none of them fails
    a test or vouches for it, and no rule looks back into them from what was measured otherwise.
    """
    tx.claim_house()
    levels, places, not_judged, new = tx.control_levels(), dict[tuple[str, str], int](), [], 0
    for done, (result, material, level) in enumerate(sorted(lines, key=lambda e: e[0].at), 1):
        told(done, len(lines))
        if tx.has_control_result(result):
            continue
        result = replace(result, history=history)
        found = named(levels, result, material, level)
        result = of_level(tx, result, found, controls.own_least)
        tx.add_control_result(result)
        new += 1
        if result.verdict == "not judged":
            not_judged.append(result.note)
        place = (result.test, result.analyzer)
        places[place] = places.get(place, 0) + 1
    for (test, analyzer), count in places.items():
        controls.refresh(tx, test, analyzer, now, more=count)
    detail = {
        "new": new, "known": len(lines) - new, "not judged": len(not_judged), "history": history,
    }  # fmt: skip
    tx.audit(who, "imported control results", "controls", detail)
    return Imported(new, len(lines) - new, tuple(dict.fromkeys(not_judged)))

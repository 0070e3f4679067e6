"""Which changes are worst: first what a person once stopped and the candidate would let go."""

import heapq
from collections.abc import Iterable

from verifier.assurance.replaying import CHANGES, Change, Fate
from verifier.facts.case import BY_RULES, CaseRecord

CRITICAL_FLAGS = frozenset({"HH", "LL", "AA"})  # HL7 table 0078
_STOPPED: tuple[Fate, ...] = ("rejected", "corrected", "withdrawn", "replaced")


def rank(change: Change) -> tuple[int, int, int, int, float, int, int, str]:
    """Return where a change stands; less is worse.

    First what would newly leave: rejected by a person, then corrected, withdrawn, replaced, then
    what nobody has settled yet, then what a person let go unchanged. Then what is no longer flagged
    critical or called, what the candidate could not judge, what it would hold, make wait, ask less
    of, hold for other rules, and say differently. Among their likes what loses a rule or a flag
    comes first, then critical results, then the newest.
    """
    fate = _STOPPED.index(change.fate) if change.fate in _STOPPED else _calm(change.fate)
    return (
        CHANGES.index(change.kind), fate, not _loses(change), not change.critical,
        -change.decided.timestamp(), change.case_id, change.entry, change.test,
    )  # fmt: skip


def worst(changes: Iterable[Change], most: int) -> list[Change]:
    """Return the worst changes in order, at most `most`."""
    return heapq.nsmallest(most, changes, key=rank)


def fate_of(record: CaseRecord | None, entry: int) -> tuple[Fate, str]:
    """Return what became of an entry of a case as stored now, and who settled it."""
    if record is None or not 0 <= entry < len(record.entries):
        return "derived", ""
    found = record.entries[entry]
    match found.state:
        case "rejected" | "suppressed":
            return "rejected", found.settled_by
        case "withdrawn":
            return "withdrawn", found.settled_by
        case "superseded":
            return _superseded(record, entry), found.settled_by
        case "released" if found.settled_by != BY_RULES:
            return "released by a person", found.settled_by
        case "released":
            return "released by rules", ""
    return "open", ""


def _superseded(record: CaseRecord, entry: int) -> Fate:
    """Return how an entry was replaced: by what came next of the same observation."""
    key = record.entries[entry].observation.key
    later = record.entries[entry + 1 :]
    following = [item for item in later if item.observation.key == key]
    if following and following[0].state == "withdrawn":
        return "withdrawn"
    if following and following[0].corrects:
        return "corrected"
    # Not released, and yet somebody settled it: the replaced entry keeps who, not that he rejected.
    return "rejected" if record.entries[entry].settled_by else "replaced"


def _calm(fate: Fate) -> int:
    return len(_STOPPED) + (fate != "open")


def _loses(change: Change) -> bool:
    """Return whether a rule no longer keeps the result, or it leaves without its flag."""
    before, after = change.before, change.after
    lost = {reason.rule for reason in before.reasons} - {reason.rule for reason in after.reasons}
    return bool(lost or (before.flag and not after.flag))

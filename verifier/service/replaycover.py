"""How much history the replay of a version covers, and whether that is enough to approve it."""

import msgspec
from msgspec import Struct

from verifier.assurance.replaying import Covered
from verifier.store.rulerows import ReplayRow


class _Counts(Struct, frozen=True):
    results: int = 0


class _Kept(Struct, frozen=True):
    counts: _Counts = _Counts()
    covered: Covered | None = None


def said_of(result: bytes) -> str:
    """Return how many results and days a replay covers, in words, from what is kept of it."""
    kept = msgspec.json.decode(result, type=_Kept)
    days = kept.covered.words() if kept.covered else "not counted how many days"
    return f"{kept.counts.results:,} result{'s' * (kept.counts.results != 1)}, {days}"


def short_of(row: ReplayRow, least: int) -> str:
    """Return why a replay covers too little to approve anything, "" when it is enough.

    `least` is in days; all of stored history is enough, however short it is.
    """
    covered = msgspec.json.decode(row.result, type=_Kept).covered
    if least == 0 or (covered and (covered.whole or covered.days >= least)):
        return ""
    return (
        f"The replay of version {row.version} covers too little to approve it: "
        f"{said_of(row.result)}. "
        f"This laboratory asks for at least {least} day{'s' * (least != 1)}, or for all stored "
        "history where there is less (replay_days in the configuration). Replay a longer stretch."
    )

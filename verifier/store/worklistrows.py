"""What the work list takes and gives: which rows are wanted, and what stands beside each."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Literal

from msgspec import Struct

Taken = Literal["", "nobody", "me", "others"]
Standing = Literal["", "soon", "missed"]
Order = Literal["worst", "time"]


class Targets(Struct, frozen=True):
    """Within which time a held specimen should have been looked at, by priority.

    `usual` is for a priority without one of its own.
    """

    usual: timedelta
    of: Mapping[str, timedelta] = {}


class Wanted(Struct, frozen=True):
    """Which specimens of the open queue are asked for; empty texts ask for nothing.

    `reason` (the rule named by the worst reason), `test` and `analyzer` are those of one and the
    same held result. `opened_before` asks for what is held since then or longer. `due` asks for
    what misses its target soon or has missed it; `order` is worst first, or least time left first.
    """

    reason: str = ""
    test: str = ""
    analyzer: str = ""
    ward: str = ""
    priority: str = ""
    opened_before: datetime | None = None
    taken: Taken = ""
    due: Standing = ""
    order: Order = "worst"


class View(Struct, frozen=True):
    """Whose list it is and at which instant: what `me`, a live claim and a target mean."""

    person: str
    now: datetime
    targets: Targets
    claims_since: datetime
    seen_since: datetime


class CaseClaim(Struct, frozen=True):
    """That a person has taken a specimen, and when they last did something with it."""

    case_id: int
    person: str
    since: datetime
    active: datetime


class Held(Struct, frozen=True):
    """How much is held: all, of it critical, misses its target soon, and has missed it."""

    all: int
    critical: int
    soon: int
    missed: int

"""The short notation of the morning's data: what a tube holds and what must become of it.

A list of readings is ``usual, -albumin, potassium 6.4 flag=H``: the analyzer's usual panel, without
albumin, and potassium changed. A list of outcomes is ``potassium: hold critical changed; others:
release``.
"""

import shlex
from collections.abc import Mapping
from typing import Literal, get_args

from msgspec import Struct
from msgspec.structs import replace

from verifier.errors import VerifierError

Outcome = Literal["release", "hold", "wait", "absent"]
OTHERS = "others"


class Reading(Struct, frozen=True):
    """One value as an analyzer sends it; empty fields take what is usual for the analyzer."""

    test: str
    value: str
    unit: str | None = None
    code: str = ""
    status: str = ""
    flag: str = ""
    kind: str = ""
    run: str = ""


class Expected(Struct, frozen=True):
    """What must become of a result, and the names of the rules that must give the reasons."""

    outcome: Outcome
    rules: frozenset[str] = frozenset()

    def __str__(self) -> str:
        return " ".join([self.outcome, *sorted(self.rules)])


def readings(text: str, usual: Mapping[str, Reading]) -> dict[str, Reading]:
    """Read a list of readings; a later one replaces an earlier one of the same test."""
    found: dict[str, Reading] = {}
    for item in filter(None, (part.strip() for part in text.split(", "))):
        if item == "usual":
            found |= usual
        elif item.startswith("-"):
            del found[item[1:]]
        else:
            reading = _reading(item)
            found[reading.test] = reading
    return found


def _reading(item: str) -> Reading:
    test, value, *extras = shlex.split(item)
    pairs = dict(extra.split("=", 1) for extra in extras)
    return replace(Reading(test, value), **pairs)


def outcomes(text: str) -> dict[str, Expected]:
    """Read a list of outcomes.

    Raises:
        VerifierError: an outcome that is none of release, hold, wait, absent.
    """
    found = {}
    for item in filter(None, (part.strip() for part in text.split(";"))):
        test, _, rest = item.partition(":")
        outcome, *rules = rest.split()
        if outcome not in get_args(Outcome):
            raise VerifierError(f"the morning's data expects {outcome!r} of {test}")
        found[test] = Expected(outcome, frozenset(rules))  # type: ignore[arg-type]
    return found

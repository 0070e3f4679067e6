"""Which control measurements were made together."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from msgspec import Struct


class Made(Struct, frozen=True):
    """That a level was measured at an instant; `run` is the name the sender gave, if any."""

    level: str
    at: datetime
    run: str = ""


def runs(made: Sequence[Made], within: timedelta) -> tuple[str, ...]:
    """Return the run of each measurement of one test on one analyzer, in their order.

    A run named by the sender stands. Without names, measurements within `within` of the first of a
    run belong to it, and a level measured once more begins another: it is a repeat.
    """
    found: list[str] = []
    began, seen, number = None, set[str](), 0
    for each in made:
        if each.run:
            began = None
            found.append(f"named {each.run}")
            continue
        if began is None or each.at - began > within or each.level in seen:
            began, seen, number = each.at, set(), number + 1
        seen.add(each.level)
        found.append(str(number))
    return tuple(found)

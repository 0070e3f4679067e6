"""Rows of what people do with results. Every instant is aware and in UTC."""

from datetime import datetime
from typing import Literal

from msgspec import Struct

ActKind = Literal["release", "suppress", "reject", "correct", "withdraw"]
Asked = Literal["rerun", "dilution", "new specimen"]
RequestState = Literal["open", "done", "cancelled"]
# ``told`` was read back; ``known`` and ``not needed`` were closed by a person with a reason.
CallState = Literal["open", "told", "known", "not needed"]


class Done(Struct, frozen=True):
    """What an act was: results by place and code, what was said, what it put out.

    `rules` are those that held the results, `reason` and `why` are why they were overridden (a code
    and free words). `outgoing` are the ids of the messages, `decision` that of the decision made
    with it, `version` that of the case after it.
    """

    places: tuple[int, ...]
    codes: tuple[str, ...]
    comments: tuple[str, ...] = ()
    reason: str = ""
    why: str = ""
    rules: tuple[str, ...] = ()
    before: str = ""
    after: str = ""
    outgoing: tuple[int, ...] = ()
    decision: int = 0
    version: int = 0


class ActRow(Struct, frozen=True):
    """One act of a person on a case; `undone` is set when it was taken back."""

    id: int
    case_id: int
    what: ActKind
    who: str
    at: datetime
    done: Done
    undone: datetime | None = None
    undone_by: str = ""


class WorkRequest(Struct, frozen=True):
    """Something asked of the analyzer, the bench or the ward, until it came or was called off.

    `destination` is where an order went, empty where the list alone tells of it.
    """

    id: int
    case_id: int
    patient: str
    specimen: str
    what: Asked
    tests: tuple[str, ...]
    comment: str
    who: str
    at: datetime
    destination: str = ""
    state: RequestState = "open"
    closed: datetime | None = None
    closed_by: str = ""
    note: str = ""


class CallRow(Struct, frozen=True):
    """A critical result that somebody has to be told of. `entry` is -1 for a derived result.

    `whom` is who the rule wants called, `taken_by` and `taken_role` who took it and read it back.
    """

    id: int
    case_id: int
    entry: int
    patient: str
    test: str
    title: str
    value: str
    unit: str
    flag: str
    rule: str
    whom: str
    opened: datetime
    due: datetime
    state: CallState = "open"
    closed: datetime | None = None
    closed_by: str = ""
    taken_by: str = ""
    taken_role: str = ""
    note: str = ""


class Attempt(Struct, frozen=True):
    """One try to reach somebody."""

    id: int
    call_id: int
    at: datetime
    who: str
    whom: str
    reached: bool
    note: str

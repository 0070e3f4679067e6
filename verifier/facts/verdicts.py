"""What judging a case yields: reasons, flags, comments, derived results and the decision."""

from collections.abc import Mapping
from datetime import datetime
from typing import Literal

from msgspec import Struct

from verifier.facts.values import Value

Outcome = Literal["release", "hold", "wait"]
Kind = Literal["hold", "unknown", "wait", "suppress", "safeguard"]


class Fact(Struct, frozen=True):
    """A fact that a reason rests on, ready to be shown."""

    name: str
    value: str
    unit: str = ""
    at: datetime | None = None
    source: str = ""


class Reason(Struct, frozen=True):
    """Why a result may not leave (yet). `text` is a sentence; `until` is set for a wait.

    `of_patient` says that the rule means every open specimen of the patient, not this one alone.
    """

    rule: str
    kind: Kind
    text: str
    facts: tuple[Fact, ...] = ()
    source: str = ""
    until: datetime | None = None
    of_patient: bool = False


class Request(Struct, frozen=True):
    """Something a rule asks for: ``rerun``, ``dilution``, ``new specimen``, ``call``, ``order`` …

    `tests` are those it is asked because of; `detail` says who is called, or which test is ordered.
    """

    what: str
    rule: str
    tests: tuple[str, ...] = ()
    detail: str = ""


class Derived(Struct, frozen=True):
    """A derived result that the rule set reports: `inputs` are the tests it was computed from.

    `value` is as judged, in the declared unit; `text`, `unit` and `code` are as reported. `instead`
    are the words that stand in place of a suppressed value.
    """

    test: str
    title: str
    code: str
    system: str
    value: Value
    text: str
    unit: str
    inputs: tuple[str, ...]
    reasons: tuple[Reason, ...] = ()
    flag: str = ""
    reference: str = ""
    instead: str = ""
    comments: tuple[str, ...] = ()


class Judgement(Struct, frozen=True):
    """What the rules say of a case. Keys of the mappings are positions in ``Case.results``.

    `fired` names the rules that said anything, if only a comment; `covered` are the positions at
    least one rule applies to; `instead` gives the words that stand in place of a suppressed value,
    which is always held as well.
    """

    reasons: Mapping[int, tuple[Reason, ...]]
    covered: frozenset[int]
    flags: Mapping[int, str] = {}
    references: Mapping[int, str] = {}
    comments: Mapping[int, tuple[str, ...]] = {}
    requests: tuple[Request, ...] = ()
    derived: tuple[Derived, ...] = ()
    notes: Mapping[str, Fact] = {}
    instead: Mapping[int, str] = {}
    fired: frozenset[str] = frozenset()


class ResultDecision(Struct, frozen=True):
    """The decision on one result. `entry` is its place in the case record, -1 for a derived one.

    `instead` are the words a rule wants reported in place of the value; the value itself is kept.
    """

    entry: int
    test: str
    title: str
    code: str
    value: str
    unit: str
    outcome: Outcome
    flag: str = ""
    reference: str = ""
    reasons: tuple[Reason, ...] = ()
    comments: tuple[str, ...] = ()
    instead: str = ""


class Decision(Struct, frozen=True):
    """The decision on all open results of a case, made by one rule set at one instant."""

    rule_set: str
    decided: datetime
    results: tuple[ResultDecision, ...]
    derived: tuple[ResultDecision, ...] = ()
    derived_values: tuple[Derived, ...] = ()
    requests: tuple[Request, ...] = ()
    wait_until: datetime | None = None

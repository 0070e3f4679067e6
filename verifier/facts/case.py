"""The case: one specimen with everything known about it, as stored and as judged."""

from collections.abc import Mapping
from datetime import datetime
from typing import Literal

from msgspec import Struct

from verifier.facts.report import Observation
from verifier.facts.subjects import Patient, Specimen
from verifier.facts.values import Value

# `suppressed`: words left in place of the value, which counts for nothing any more.
State = Literal["open", "released", "suppressed", "rejected", "withdrawn", "superseded"]
LEFT = ("released", "suppressed")  # states of what the LIS has been told as final
Control = Literal["in control", "out of control", "unknown"]
BY_RULES = "rules"  # `Entry.settled_by` of a result that left without a person looking


class Entry(Struct, frozen=True):
    """One observation of a case as stored: what was said, by which message, and what became of it.

    `message` is the id of the inbox row. `doubts` are sentences found while merging that hold the
    result (a final value changed without a correction, a correction of a released value …).
    `previous` is the text of the value it replaced; `corrects` is true when that one was released.
    `bracket` says which failed control came after it: a person has to settle it, whatever the
    controls say later.
    """

    observation: Observation
    connection: str
    message: int
    arrived: datetime
    state: State = "open"
    settled_by: str = ""
    doubts: tuple[str, ...] = ()
    previous: str | None = None
    corrects: bool = False
    bracket: str = ""


class CaseRecord(Struct, frozen=True):
    """A case as stored. Entries keep their place for ever; a decision names them by index."""

    specimen: Specimen
    patient: Patient | None
    entries: tuple[Entry, ...]
    opened: datetime
    doubts: tuple[str, ...] = ()


class ControlSays(Struct, frozen=True):
    """The control state of a test on an analyzer, why, and whether a failed control is the cause.

    `good` is when a control was last good before it failed, None when that is not known.
    """

    state: Control
    why: str = ""
    failed: bool = False
    good: datetime | None = None


class Result(Struct, frozen=True):
    """One live entry of a case, mapped to a test of the rule set and converted to its unit.

    `test` is empty when the code is unknown. `faults` are sentences of the built-in safeguards
    that mapping found (unknown test, unit missing, flag not mapped, several values …);
    `fault_names` names the safeguard of each, such as ``unknown-test``. `measured` is `analysed`,
    or when the result arrived where that was not sent to the minute. `control` is what the
    controls of its own analyzer say, None where none are defined.
    """

    entry: int
    test: str
    title: str
    code: str
    value: Value
    unit: str
    sent_text: str
    sent_unit: str
    status: str
    state: State
    flags: tuple[str, ...] = ()
    analyzer: str = ""
    connection: str = ""
    analysed: datetime | None = None
    corrects: bool = False
    faults: tuple[str, ...] = ()
    fault_names: tuple[str, ...] = ()
    measured: datetime | None = None
    control: ControlSays | None = None


class Earlier(Struct, frozen=True):
    """An earlier verified result of the same patient and test, in the test's unit."""

    value: Value
    unit: str
    collected: datetime
    specimen: str
    specimen_type: str = ""


class Preceding(Struct, frozen=True):
    """The value of a test that the same analyzer measured just before, of another patient."""

    value: Value
    unit: str
    measured: datetime
    analyzer: str
    specimen: str


class Suspension(Struct, frozen=True):
    """Automatic release stopped by a person: for everything, one test or one connection.

    `subject` is the test or connection, empty for ``all``; `text` says who stopped it and why.
    """

    scope: Literal["all", "test", "connection"]
    subject: str = ""
    text: str = ""


class Case(Struct, frozen=True):
    """What rules judge. `earlier` is newest first; `quality` gives the control state per test.

    For a test that the case has a result of, that is the state of the result's own analyzer.
    `preceding` gives, for the tests some rule asks it of, what the analyzer measured just before.

    `suspended` are sentences, one per suspension that touches the whole case; the suspensions of
    single tests stand in `suspended_tests`, those of connections in `suspended_connections`.
    """

    patient: Patient | None
    specimen: Specimen
    results: tuple[Result, ...]
    earlier: Mapping[str, tuple[Earlier, ...]]
    quality: Mapping[str, Control]
    now: datetime
    opened: datetime
    doubts: tuple[str, ...] = ()
    suspended: tuple[str, ...] = ()
    suspended_tests: Mapping[str, str] = {}
    suspended_connections: Mapping[str, str] = {}
    preceding: Mapping[str, Preceding] = {}

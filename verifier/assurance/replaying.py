"""What a replay finds: a candidate rule set held against another over stored history.

Every stored decision is judged again from the facts it was made from, so with what was known then.
A specimen is often judged several times; a result counts once. It has left when any of its
judgements released it, else its last judgement in the stretch counts. What the candidate would have
made wait and was not judged again counts as waiting.
"""

from collections.abc import Mapping
from datetime import datetime
from typing import Literal

from msgspec import Struct

from verifier.facts.verdicts import Kind, Outcome
from verifier.texts import mark

ChangeKind = Literal[
    "newly released", "critical lost", "failed", "newly held", "now waits", "less asked",
    "other reasons", "other words",
]  # fmt: skip
Fate = Literal[
    "rejected", "corrected", "withdrawn", "replaced", "open", "released by a person",
    "released by rules", "derived",
]  # fmt: skip

CHANGES: tuple[ChangeKind, ...] = (
    "newly released", "critical lost", "failed", "newly held", "now waits", "less asked",
    "other reasons", "other words",
)  # fmt: skip
MEANINGS: Mapping[ChangeKind, str] = {
    "newly released": mark("held or waiting before, would leave with the candidate"),
    "critical lost": mark("no longer flagged critical, or nobody is called any more"),
    "failed": mark("the candidate could not judge it and would hold it"),
    "newly held": mark("left before, would be held with the candidate"),
    "now waits": mark("would wait with the candidate and did not before, or waits and was held"),
    "less asked": mark("same outcome; a rerun, specimen or test is no longer asked for"),
    "other reasons": mark("held or waiting with both, for other rules"),
    "other words": mark(
        "same outcome; flag, reference, comment, sentence or what is asked for differs"
    ),
}
FATES: Mapping[Fate, str] = {
    "rejected": mark("a person rejected it"),
    "corrected": mark("corrected after it had left"),
    "withdrawn": mark("withdrawn by the sender"),
    "replaced": mark("replaced by another value before it left"),
    "open": mark("nobody has settled it yet"),
    "released by a person": mark("a person released it"),
    "released by rules": mark("left by itself"),
    "derived": mark("worked out, never settled by itself"),
}


class Stretch(Struct, frozen=True):
    """Which part of history: decisions made from `since` to before `until`, both aware.

    With `tests` or `connections` only their results count; None of either bounds nothing.
    """

    since: datetime | None = None
    until: datetime | None = None
    tests: frozenset[str] = frozenset()
    connections: frozenset[str] = frozenset()


class Said(Struct, frozen=True):
    """One reason as it is shown."""

    rule: str
    kind: Kind
    text: str


class Side(Struct, frozen=True):
    """What one rule set says of a result; ``absent`` is a derived result it does not report.

    `asked` is what is asked for because of it, such as ``call clinician``. `shown` is value and
    unit, where the two rule sets show them differently.
    """

    outcome: Outcome | Literal["absent"]
    flag: str = ""
    reasons: tuple[Said, ...] = ()
    comments: tuple[str, ...] = ()
    reference: str = ""
    instead: str = ""
    asked: tuple[str, ...] = ()
    shown: str = ""


class Change(Struct, frozen=True):
    """One result that the two rule sets judge differently, and what became of it in truth.

    `decided` is the instant of the judgement that is shown; `entry` the place in the case, -1 for
    a derived result. `critical` is true when either side flags it critical.
    """

    kind: ChangeKind
    fate: Fate
    case_id: int
    decision_id: int
    entry: int
    specimen: str
    test: str
    title: str
    code: str
    value: str
    unit: str
    decided: datetime
    before: Side
    after: Side
    settled_by: str = ""
    critical: bool = False


class TestCount(Struct):
    """The results of one test: how many, how many leave, and how many change, by kind of change."""

    __test__ = False  # not a test case, whatever its name says to pytest

    title: str = ""
    results: int = 0
    released_before: int = 0
    released_after: int = 0
    changes: dict[ChangeKind, int] = {}


class RuleCount(Struct):
    """The results that do not leave for a rule (or safeguard), with one rule set and the other.

    `gained` and `lost` are those that only the candidate, or only the other one keeps for it.
    """

    before: int = 0
    after: int = 0
    gained: int = 0
    lost: int = 0


class Counts(Struct):
    """Everything that is counted. `fates` counts changes by kind and by what became of them.

    `decisions` were judged again. `without_facts` could not be: their facts were not stored, or
    can not be read. `reproduced` are those made by the rule set compared with, judged again and the
    same to the last byte, `not_reproduced` those that were not; both are 0 unless that was asked
    for.
    `requests` are specimens of which something else is asked for (rerun, call ...).
    `failures` are sentences, one per kind of failure of the candidate, with how often.
    """

    specimens: int = 0
    decisions: int = 0
    without_facts: int = 0
    reproduced: int = 0
    not_reproduced: int = 0
    results: int = 0
    released_before: int = 0
    released_after: int = 0
    requests: int = 0
    tests: dict[str, TestCount] = {}
    rules: dict[str, RuleCount] = {}
    fates: dict[ChangeKind, dict[Fate, int]] = {}
    failures: dict[str, int] = {}

    @property
    def changed(self) -> int:
        """Return how many results change in any way."""
        return sum(sum(by_fate.values()) for by_fate in self.fates.values())

    def of_kind(self, kind: ChangeKind) -> int:
        """Return how many results change in one way."""
        return sum(self.fates.get(kind, {}).values())


class Covered(Struct, frozen=True):
    """How much of history was judged again.

    `days` are whole days from the beginning of the stretch, or of stored history where that is
    later, to its end; `whole` says that every stored decision lies in it.
    """

    days: int
    whole: bool

    def words(self) -> str:
        """Return it as people say it."""
        span = f"{self.days} day{'s' * (self.days != 1)}" if self.days else "less than a day"
        return f"all stored history, {span}" if self.whole else span


class Replay(Struct, frozen=True):
    """A replay as it ended. `changes` are the worst first, `left_out` says how many more there are.

    `candidate` and `against` say what was compared, with the hashes of their meaning; `against` is
    ``recorded`` for the decisions as they were made. `made` is when, None in what is kept beside a
    version: the same replay has the same hash. `cautions` are sentences on what this replay
    can not show. `covered` is None in what was kept before it was counted.
    """

    candidate: str
    candidate_identity: str
    against: str
    against_identity: str
    stretch: Stretch
    made: datetime | None
    counts: Counts
    changes: tuple[Change, ...]
    left_out: int
    cautions: tuple[str, ...] = ()
    covered: Covered | None = None

    @property
    def differs(self) -> bool:
        """Whether anything at all is different."""
        counts = self.counts
        return bool(counts.changed or counts.requests or counts.not_reproduced)

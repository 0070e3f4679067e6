"""What the store takes and gives of quality control: frozen rows, exact numbers."""

from datetime import datetime
from decimal import Decimal
from typing import Literal

from msgspec import Struct

from verifier.quality.standing import QualityState

Basis = Literal["insert", "own"]
Verdict = Literal["accepted", "warning", "rejected", "not judged"]


class ControlLevel(Struct, frozen=True):
    """A level of a control material as expected of one test, in the unit of the test.

    `analyzer` is empty when the level is for every analyzer. `mark` is how the specimen id begins
    under which the sender measures it. `mean` and `sd` are those of the insert; with basis ``own``
    the laboratory's own figures since `own_from` are judged by instead, once there are enough.
    """

    id: int
    test: str
    analyzer: str
    material: str
    lot: str
    level: str
    mark: str
    unit: str
    mean: Decimal
    sd: Decimal
    added: datetime
    expires: datetime | None = None
    basis: Basis = "insert"
    own_from: datetime | None = None
    ended: datetime | None = None

    @property
    def name(self) -> str:
        """What the level is called across its lots."""
        return f"{self.material} {self.level}"


class ControlResult(Struct, frozen=True):
    """One measurement of a control. `at` is when it was measured, `arrived` when it came here.

    `value` is None when it can not be read; then, and when its level is not known, the verdict is
    ``not judged`` and `note` says why. `mean` and `sd` are what it was judged by, for ever.
    `left_out` is when a person took it out of rules and figures, and why; it stays on record.
    What was taken as `history` is in charts and figures and neither fails nor vouches.
    """

    id: int
    message_id: int | None
    at: datetime
    arrived: datetime
    test: str
    analyzer: str
    level_id: int | None
    specimen: str
    lot: str
    value: Decimal | None
    unit: str
    run: str = ""
    mean: Decimal | None = None
    sd: Decimal | None = None
    basis: str = ""
    verdict: Verdict = "not judged"
    rules: tuple[str, ...] = ()
    note: str = ""
    left_out: datetime | None = None
    left_out_by: str = ""
    left_out_why: str = ""
    history: bool = False

    @property
    def counts(self) -> bool:
        """Whether rules and figures look at it: it was judged and nobody left it out."""
        return self.value is not None and self.verdict != "not judged" and self.left_out is None


class CorrectiveAction(Struct, frozen=True):
    """What was done about a test on an analyzer, by whom."""

    id: int
    test: str
    analyzer: str
    at: datetime
    who: str
    text: str


class StandingRow(Struct, frozen=True):
    """How a test stands on an analyzer; the empty analyzer stands for those never measured.

    `since` is when it failed, `latest` the newest rejection, `good` the last good control before
    the failure, `due` when controls are overdue by time. `results` counts patients' results since
    `counted_from`, when every level had last been accepted.
    """

    test: str
    analyzer: str
    state: QualityState
    why: str = ""
    since: datetime | None = None
    latest: datetime | None = None
    good: datetime | None = None
    due: datetime | None = None
    results: int = 0
    counted_from: datetime | None = None


class Review(Struct, frozen=True):
    """A patient's result measured since the last good control before a failure.

    `state` is what it was when the control failed: ``released`` or ``held``; `now` is the state
    of the result since.
    """

    id: int
    test: str
    analyzer: str
    failed: datetime
    case_id: int
    entry: int
    specimen: str
    state: str
    listed: datetime
    seen: datetime | None = None
    seen_by: str = ""
    note: str = ""
    now: str = ""


class Monitor(Struct, frozen=True):
    """Where the moving statistic of a test on an analyzer stands."""

    test: str
    analyzer: str
    statistic: str
    alarm: bool
    at: datetime


class Alarm(Struct, frozen=True):
    """A moving statistic left its limits; open until a person has looked into it."""

    id: int
    test: str
    analyzer: str
    at: datetime
    text: str
    seen: datetime | None = None
    seen_by: str = ""
    note: str = ""

"""`Reader` and `Transaction`: everything the rest of the program may do with the database."""

from collections import Counter

from msgspec import Struct

from verifier.store.acts import ActReads, ActWrites
from verifier.store.audit import AuditWrites, LogState
from verifier.store.calls import CallReads, CallWrites
from verifier.store.cases import CaseReads, CaseWrites
from verifier.store.claims import Claim
from verifier.store.controls import ControlReads, ControlWrites
from verifier.store.inbox import InboxWrites
from verifier.store.inclusion import InclusionReads
from verifier.store.outbox import OutboxWrites
from verifier.store.overview import OverviewReads
from verifier.store.past import PastReads
from verifier.store.patients import PatientReads, PatientWrites
from verifier.store.people import PeopleReads, PeopleWrites
from verifier.store.preceding import PrecedingReads
from verifier.store.quality import QualityReads, QualityWrites
from verifier.store.queue import QueueReads
from verifier.store.retention import RetentionReads, RetentionWrites
from verifier.store.reviews import ReviewReads, ReviewWrites
from verifier.store.ruleversions import RuleReads, RuleWrites
from verifier.store.search import SearchReads
from verifier.store.secondfactor import SecondFactorReads, SecondFactorWrites
from verifier.store.shadows import ShadowReads, ShadowWrites
from verifier.store.sights import SightReads
from verifier.store.signedin import SessionReads, SessionWrites
from verifier.store.tally import Key
from verifier.store.usage import UsageReads
from verifier.store.worklist import WorklistReads, WorklistWrites


class Reader(
    SightReads,
    QueueReads,
    CaseReads,
    PatientReads,
    PrecedingReads,
    PastReads,
    SearchReads,
    ControlReads,
    QualityReads,
    ReviewReads,
    RuleReads,
    ShadowReads,
    ActReads,
    CallReads,
    PeopleReads,
    SessionReads,
    SecondFactorReads,
    RetentionReads,
    InclusionReads,
    UsageReads,
    WorklistReads,
    OverviewReads,
):
    """Reads one consistent state of the database; see the parts for the methods."""


class Mark(Struct, frozen=True):
    """What a transaction holds in memory, to return to when a part of it is undone."""

    touched: frozenset[str]
    log: LogState | None
    held: frozenset[Claim]
    counted: Counter[Key]


class Transaction(
    Reader,
    CaseWrites,
    PatientWrites,
    InboxWrites,
    OutboxWrites,
    ControlWrites,
    QualityWrites,
    ReviewWrites,
    RuleWrites,
    ShadowWrites,
    ActWrites,
    CallWrites,
    PeopleWrites,
    SessionWrites,
    SecondFactorWrites,
    RetentionWrites,
    WorklistWrites,
    AuditWrites,
):
    """Reads and writes inside one transaction, which is committed as a whole or not at all."""

    def begin_work(self, needs: frozenset[Claim]) -> None:
        """Begin a piece of work; what it `needs`, as found before, is waited for."""
        if self._claims:
            self._claims.begin_work()
            if needs:
                self._claims.wait(needs)

    def mark(self) -> Mark:
        """Return a point that `return_to` goes back to."""
        held = self._claims.held if self._claims else frozenset()
        return Mark(frozenset(self.touched), self._log, held, self.counted.copy())

    def return_to(self, mark: Mark) -> None:
        """Forget what happened in memory since `mark`; the caller undoes the rows."""
        self.touched = set(mark.touched)
        self._log = mark.log
        self.counted = mark.counted
        if self._claims:
            self._claims.held = mark.held

    def finish(self) -> None:
        """Write what is kept in memory; called once, before the commit."""
        self._store_head()

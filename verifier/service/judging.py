"""From a case record to a decision, stored with everything that may leave because of it."""

from collections.abc import Collection, Mapping
from datetime import datetime

import msgspec

from verifier.decide.decide import decide
from verifier.decide.offline import released
from verifier.facts.build import analyzer_of, build_case
from verifier.facts.case import Case, CaseRecord, Earlier, Entry, Suspension
from verifier.facts.preceding import asked, with_preceding
from verifier.facts.verdicts import Decision, Reason
from verifier.hl7.message import Message
from verifier.language.program import Program
from verifier.service.deeds import Deed
from verifier.service.gating import Gate
from verifier.service.opening import open_calls
from verifier.service.outbound import Outbound, control_id_of
from verifier.service.watching import Watch
from verifier.settings import Settings
from verifier.store.actrows import ActRow
from verifier.store.ids import new_id
from verifier.store.results import result_rows
from verifier.store.rows import StoredCase
from verifier.store.transaction import Transaction

History = Mapping[str, tuple[Earlier, ...]]


class Judge:
    """Judges cases with one rule set. The same record and history give the same decision.

    `version` is the number of the rule set, None where it is not one of the database.
    """

    def __init__(self, settings: Settings, program: Program, version: int | None = None) -> None:
        self.settings = settings
        self.program, self.version = program, version
        self.maps = {name: c.mapping(name) for name, c in settings.connections.items()}
        self.outbound = Outbound(settings)
        self.watch = Watch(settings.quality)

    def case_of(self, tx: Transaction, record: CaseRecord, now: datetime, case_id: int = 0) -> Case:
        """Gather everything a decision on this record rests on, as known now.

        `case_id` is that of a stored case, 0 for a new one.
        """
        gate = Gate(tx, self.program.catalogue, self.settings.quality, now)
        case = build_case(
            record,
            catalogue=self.program.catalogue,
            maps=self.maps,
            earlier=self._earlier(tx, record, now),
            quality=gate.of_tests(),
            suspensions=_suspensions(tx),
            now=now,
            control_of=gate.control_of,
        )
        if wanted := asked(case, self.program.needs_preceding):
            patient = record.patient.key if record.patient else ""
            found = tx.preceding(wanted, patient=patient, case_id=case_id)
            case = with_preceding(case, found, self.program.catalogue)
        elsewhere = self._elsewhere(tx, record)
        return msgspec.structs.replace(case, doubts=(*case.doubts, *elsewhere))

    def _elsewhere(self, tx: Transaction, record: CaseRecord) -> tuple[str, ...]:
        """Return why another open specimen of the patient holds this one as well."""
        patient = record.patient
        if not self.program.holds_patients or patient is None or not patient.key:
            return ()
        others = tx.cases_of_patient(patient.key)
        said = [
            f"specimen {other.record.specimen.key} holds all of this patient: {reason.text}"
            for other in others
            if other.record.specimen.key != record.specimen.key
            for reason in _open_reasons(other)
            if reason.of_patient
        ]
        return tuple(dict.fromkeys(said))

    def judge(
        self,
        tx: Transaction,
        stored: StoredCase | None,
        record: CaseRecord,
        now: datetime,
        *,
        arrival: tuple[int, Message] | None = None,
        deed: Deed | None = None,
        who: str = "",
    ) -> Decision:
        """Decide on every open result, store it all, and put out what may leave.

        Args:
            tx: the transaction everything belongs to.
            stored: the case before, None for a new specimen.
            record: the case as it is now.
            now: the instant of the decision.
            arrival: id and message when a message is the cause.
            deed: what a person just did with results of it.
            who: the person, where one is the cause without a deed.
        """
        case = self.case_of(tx, record, now, stored.id if stored else 0)
        decision = decide(case, self.program)
        record = bracketed(released(record, decision), _in_doubt(record, case))
        case_id = stored.id if stored else new_id()
        rows = result_rows(case, decision, self.program.needs_preceding)
        tx.save_case(case_id, record, decision, rows)
        sent = self.outbound.send(
            tx, case_id, stored, record, decision, now,
            arrival=arrival, deed=deed,
        )  # fmt: skip
        message = arrival[0] if arrival else None
        made = tx.add_decision(case_id, message, decision, case, version=self.version)
        if deed and stored:
            _keep_act(tx, stored, deed, now, tuple(sent), made)
        open_calls(tx, self.settings.calls, case_id, record, decision, now)
        detail = {
            "rule set": decision.rule_set,
            "version": self.version,
            "outcomes": {r.code: r.outcome for r in (*decision.results, *decision.derived)},
            "outgoing": [control_id_of(number) for number in sent],
        }
        tx.audit(deed.who if deed else who or "verifier", "decided", f"case:{case_id}", detail)
        if arrival:
            self.watch.take(tx, case, record, arrival[0], now)
        return decision

    def judge_again(self, tx: Transaction, case_id: int, now: datetime) -> Decision | None:
        """Judge a stored case once more: its wait is over, or a person changed something."""
        stored = tx.claim_case(case_id)
        return self.judge(tx, stored, stored.record, now) if stored else None

    def end_wait(self, tx: Transaction, case_id: int, now: datetime) -> None:
        """Judge a case again if its wait is over; another node may have done so meanwhile."""
        tx.claim_case(case_id)
        if tx.is_due(case_id, now):
            self.judge_again(tx, case_id, now)

    def _earlier(self, tx: Transaction, record: CaseRecord, now: datetime) -> History:
        if record.patient is None or not record.patient.key:
            return {}
        collected = record.specimen.collected
        anchor = collected.at if collected else now
        return tx.earlier(
            record.patient.key,
            since=anchor - self.program.longest_window,
            before=anchor,
            excluding=record.specimen.key,
        )


def _keep_act(
    tx: Transaction, stored: StoredCase, deed: Deed, now: datetime, sent: tuple[int, ...], made: int
) -> None:
    done = msgspec.structs.replace(
        deed.done, outgoing=sent, decision=made, version=stored.version + 1
    )
    tx.add_act(ActRow(new_id(), stored.id, deed.kind, deed.who, now, done))


def bracketed(record: CaseRecord, places: Collection[int]) -> CaseRecord:
    """Mark the open results at some places: their control has failed since it was last good.

    Good controls later must not let such a result leave by itself: it was measured before them.
    """
    if not places:
        return record
    entries = tuple(
        msgspec.structs.replace(entry, bracket=entry.bracket or _bracket(entry))
        if entry.state == "open" and place in places
        else entry
        for place, entry in enumerate(record.entries)
    )
    return msgspec.structs.replace(record, entries=entries)


def _bracket(entry: Entry) -> str:
    where = analyzer_of(entry)
    return f"it was measured between the last good control on {where} and the next"


def _in_doubt(record: CaseRecord, case: Case) -> set[int]:
    """Return the places of the results whose controls have failed since they were last good."""
    return {
        result.entry
        for result in case.results
        if (said := result.control)
        and said.failed
        and (said.good is None or record.entries[result.entry].arrived >= said.good)
    }


def _open_reasons(case: StoredCase) -> list[Reason]:
    """The reasons of the results of a case that nobody has settled."""
    results = case.decision.results if case.decision else ()
    entries = case.record.entries
    return [why for r in results if entries[r.entry].state == "open" for why in r.reasons]


def _suspensions(tx: Transaction) -> tuple[Suspension, ...]:
    return tuple(
        Suspension(row.scope, row.subject, f"{row.text} (suspended by {row.who})")
        for row in tx.suspensions()
    )

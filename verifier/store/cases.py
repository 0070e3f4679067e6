"""Cases, their results, their decisions: what is known of each specimen and what became of it."""

from datetime import datetime
from typing import Any

from sqlalchemy import bindparam, func, insert, literal_column, select, update

from verifier.errors import RefusedError
from verifier.facts.case import Case, CaseRecord, Earlier
from verifier.facts.priorities import ROUTINE
from verifier.facts.subjects import Patient, Specimen
from verifier.facts.verdicts import Decision
from verifier.store import codec, schema
from verifier.store.base import Reading, Writing
from verifier.store.codec import instant, micros
from verifier.store.ids import new_id
from verifier.store.results import ResultWrites
from verifier.store.rows import ResultRow, StoredCase, StoredDecision
from verifier.store.severity import open_results, severity, worst_reason
from verifier.store.sql import Statement
from verifier.store.words import WordWrites

_case, _result, _decision = schema.specimen_case, schema.result, schema.decision

_of_case = _decision.alias("of_case")
_latest = (
    select(func.max(_of_case.c.id))
    .where(_of_case.c.case_id == _case.c.id)
    .correlate(_case)
    .scalar_subquery()
)
WITH_LATEST_DECISION = _case.outerjoin(_decision, _decision.c.id == _latest)

_stored = select(
    _case.c.id, _case.c.version, _case.c.record, _decision.c.body, _case.c.rule_set,
    _case.c.severity, _case.c.held, _case.c.waiting, _case.c.updated,
).select_from(WITH_LATEST_DECISION)  # fmt: skip

_BY_ID = Statement(_stored.where(_case.c.id == bindparam("case")))
_BY_SPECIMEN = Statement(
    _stored.where(_case.c.specimen == bindparam("specimen")).order_by(_case.c.id.desc()).limit(1)
)
_OF_PATIENT = Statement(
    _stored.where(_case.c.patient == bindparam("patient"))
    .order_by(_case.c.id.desc())
    .limit(bindparam("most"))
)
_EARLIER = Statement(
    select(
        _result.c.test, _result.c.value, _result.c.unit, _result.c.collected,
        _result.c.specimen, _result.c.specimen_type,
    )
    .where(
        _result.c.patient == bindparam("patient"),
        _result.c.collected >= bindparam("since"),
        _result.c.collected < bindparam("before"),
        _result.c.state == literal_column("'released'"),
    )
    .order_by(_result.c.collected.desc(), _result.c.case_id.desc())
)  # fmt: skip
_DECISIONS = Statement(
    select(
        _decision.c.id, _decision.c.case_id, _decision.c.message_id, _decision.c.body,
        _decision.c.facts.is_not(None), _decision.c.version,
    )
    .where(_decision.c.case_id == bindparam("case"))
    .order_by(_decision.c.id)
)  # fmt: skip
_FACTS = Statement(select(_decision.c.facts).where(_decision.c.id == bindparam("decision")))
_LATEST_BODY = Statement(
    select(_decision.c.body)
    .where(_decision.c.case_id == bindparam("case"))
    .order_by(_decision.c.id.desc())
    .limit(1)
)
_INSERT_CASE = Statement(insert(_case))
_INSERT_DECISION = Statement(insert(_decision))
_UPDATE_CASE = Statement(
    update(_case)
    .where(_case.c.id == bindparam("case"))
    .values(
        version=_case.c.version + 1,
        **{
            name: bindparam(f"new_{name}")
            for name in (
                "specimen", "patient", "updated", "rule_set", "severity", "held", "waiting",
                "released", "wait_until", "record", "ward", "priority",
            )
        },
    )
)  # fmt: skip
_VERSION = Statement(select(_case.c.version).where(_case.c.id == bindparam("case")))
_END_OF_TIME = (1 << 63) - 1


def _stored_case(row: Any) -> StoredCase:
    number, version, record, decision, rule_set, worst, held, waiting, updated = row
    return StoredCase(
        number,
        version,
        codec.read_record(record),
        None if decision is None else codec.read_decision(decision),
        rule_set,
        worst,
        held,
        waiting,
        instant(updated),
    )


def names_of(specimen: Specimen, patient: Patient | None) -> list[str]:
    """Return the names that are claimed for a specimen and its patient; empty keys name none."""
    keys = (("specimen", specimen.key), ("patient", patient.key if patient else ""))
    return [f"{kind} {key}" for kind, key in keys if key]


class CaseReads(Reading):
    """What can be asked about cases."""

    def case(self, case_id: int) -> StoredCase | None:
        """Return a case with its latest decision."""
        row = self._one(_BY_ID, case=case_id)
        return None if row is None else _stored_case(row)

    def case_by_specimen(self, key: str) -> StoredCase | None:
        """Return the newest case of a specimen; an empty key names no specimen."""
        row = self._one(_BY_SPECIMEN, specimen=key) if key else None
        return None if row is None else _stored_case(row)

    def cases_of_patient(self, patient_key: str, most: int = 50) -> list[StoredCase]:
        """Return the cases of a patient, newest first; an empty key names nobody."""
        if not patient_key:
            return []
        return [_stored_case(row) for row in self._all(_OF_PATIENT, patient=patient_key, most=most)]

    def earlier(
        self,
        patient_key: str,
        *,
        since: datetime,
        before: datetime | None = None,
        excluding: str = "",
    ) -> dict[str, tuple[Earlier, ...]]:
        """Return released results of a patient by test, newest first, by collection time.

        `before` is exclusive. Results of the specimen `excluding` are left out, and so are those
        whose collection time is not known. Nobody has earlier results under an empty key.
        """
        if not patient_key:
            return {}
        end = _END_OF_TIME if before is None else micros(before)
        found: dict[str, list[Earlier]] = {}
        for test, value, unit, collected, specimen, kind in self._all(
            _EARLIER, patient=patient_key, since=micros(since), before=end
        ):
            if specimen != excluding or not excluding:
                earlier = Earlier(codec.read_value(value), unit, instant(collected), specimen, kind)
                found.setdefault(test, []).append(earlier)
        return {test: tuple(results) for test, results in found.items()}

    def decisions(self, case_id: int) -> list[StoredDecision]:
        """Return every decision ever made on a case, oldest first."""
        return [
            StoredDecision(number, case, message, codec.read_decision(body), bool(facts), version)
            for number, case, message, body, facts, version in self._all(_DECISIONS, case=case_id)
        ]

    def facts(self, decision_id: int) -> Case | None:
        """Return the facts a decision was made from, None when they were not stored."""
        row = self._one(_FACTS, decision=decision_id)
        return None if row is None or row[0] is None else codec.read_case(row[0])


class CaseWrites(ResultWrites, CaseReads, WordWrites, Writing):
    """What the line and people write about cases."""

    def claim_case(self, case_id: int) -> StoredCase | None:
        """Return a case that no other node changes until the end of this transaction.

        Raises:
            Busy: another node has its specimen or its patient.
        """
        stored = self.case(case_id)
        if stored is None or self._claims is None:
            return stored
        self.claim(*names_of(stored.record.specimen, stored.record.patient))
        return self.case(case_id)

    def save_case(
        self,
        case_id: int,
        record: CaseRecord,
        decision: Decision | None = None,
        results: tuple[ResultRow, ...] = (),
        *,
        expected: int | None = None,
    ) -> None:
        """Insert or update a case. Call it before `add_decision` of the same decision.

        Args:
            case_id: a new id from `new_id`, or that of a stored case.
            record: everything known of the specimen now.
            decision: the decision just made; None keeps the latest one (a person acted).
            results: one row per live result (`result_rows`); results not named here keep what is
                stored except their state, which always follows `record`.
            expected: the version the caller has seen.

        Raises:
            RefusedError: the case was changed since `expected` was read.
        """
        if expected is not None and self._version(case_id) != expected:
            raise RefusedError(
                "This specimen was changed meanwhile. Look at it again before you act."
            )
        latest = decision or self._latest(case_id)
        columns = _columns(record, latest, micros(self.now()))
        new = self._run(_UPDATE_CASE, case=case_id, **columns) == 0
        if new:
            self._insert_case(case_id, record, columns)
        self._write_results(case_id, record, results, columns["new_updated"], new=new)
        self._write_words(record)
        self._touch("cases")

    def add_decision(
        self,
        case_id: int,
        message_id: int | None,
        decision: Decision,
        facts: Case | None = None,
        *,
        version: int | None = None,
    ) -> int:
        """Keep a decision for ever, with the facts it was made from; return its id.

        `message_id` is None when time or a person caused it; `version` is that of the rule set.
        """
        number = new_id()
        for result in decision.results:
            self.count("results", result.outcome)
            worst = worst_reason(result.reasons) if result.outcome == "hold" else None
            if worst:
                self.count("holds", worst.rule)
        self._insert(
            _INSERT_DECISION, number, case_id, message_id, micros(decision.decided),
            decision.rule_set, codec.pack(decision),
            None if facts is None else codec.pack(facts), version,
        )  # fmt: skip
        return number

    def _version(self, case_id: int) -> int:
        row = self._one(_VERSION, case=case_id)
        return 0 if row is None else int(row[0])

    def _latest(self, case_id: int) -> Decision | None:
        row = self._one(_LATEST_BODY, case=case_id)
        return None if row is None else codec.read_decision(row[0])

    def _insert_case(self, case_id: int, record: CaseRecord, columns: dict[str, Any]) -> None:
        get = columns.__getitem__
        self._insert(
            _INSERT_CASE, case_id, 1, get("new_specimen"), get("new_patient"),
            micros(record.opened), get("new_updated"), get("new_rule_set"), get("new_severity"),
            get("new_held"), get("new_waiting"), get("new_released"), get("new_wait_until"),
            get("new_record"), get("new_ward"), get("new_priority"),
        )  # fmt: skip


def _columns(record: CaseRecord, decision: Decision | None, now: int) -> dict[str, Any]:
    held = open_results(record, decision, "hold") if decision else []
    waiting = open_results(record, decision, "wait") if decision else []
    until = decision.wait_until if decision and waiting else None
    return {
        "new_specimen": record.specimen.key,
        "new_patient": record.patient.key if record.patient else "",
        "new_updated": now,
        "new_rule_set": decision.rule_set if decision else "",
        "new_severity": severity(record, decision, held) if decision else 0,
        "new_held": len(held),
        "new_waiting": len(waiting),
        "new_released": sum(entry.state == "released" for entry in record.entries),
        "new_wait_until": codec.micros_or_none(until),
        "new_record": codec.pack(record),
        "new_ward": record.patient.attributes.get("ward", "") if record.patient else "",
        "new_priority": record.specimen.attributes.get("priority", ROUTINE),
    }

"""Invented cases, decisions and messages for the tests of the store."""

import hashlib
from datetime import UTC, datetime, timedelta
from decimal import Decimal

from verifier.facts.case import Case, CaseRecord, Entry, Result, State
from verifier.facts.report import Observation
from verifier.facts.subjects import Moment, Patient, Specimen
from verifier.facts.values import Number
from verifier.facts.verdicts import Decision, Fact, Outcome, Reason, Request, ResultDecision
from verifier.store import Inbound, Outgoing, ResultRow, Transaction, new_id

MORNING = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)


def moment(at: datetime = MORNING) -> Moment:
    return Moment(at, "second", at.strftime("%Y%m%d%H%M%S"))


def entry(code: str = "K", text: str = "4.1", state: State = "open", **more: object) -> Entry:
    observation = Observation(code, "L", code, "NM", text, "mmol/L", "F", segment=4, order=3)
    settled = "rules" if state == "released" else ""
    return Entry(observation, "line", 1, MORNING, state, settled, **more)  # type: ignore[arg-type]


def record(
    *entries: Entry,
    specimen: str = "S1",
    patient: str = "LAB^MR^7",
    collected: datetime | None = MORNING,
    opened: datetime = MORNING,
) -> CaseRecord:
    taken = None if collected is None else moment(collected)
    who = Patient(patient, "7", "EXAMPLE^PERSON") if patient else None
    return CaseRecord(Specimen(specimen, "serum", taken), who, entries or (entry(),), opened)


def row(place: int = 0, value: str = "4.1", test: str = "potassium") -> ResultRow:
    return ResultRow(place, test, "K", Number(Decimal(value)), "mmol/L", "release")


def reason(rule: str = "outside", kind: str = "hold") -> Reason:
    fact = Fact("potassium", "6.4", "mmol/L", MORNING, "line")
    return Reason(rule, kind, f"because of {rule}", (fact,))  # type: ignore[arg-type]


def verdict(
    place: int = 0, outcome: Outcome = "hold", *reasons: Reason, flag: str = ""
) -> ResultDecision:
    return ResultDecision(
        place, "potassium", "Potassium", "K", "6.4", "mmol/L", outcome, flag, "", reasons
    )


def decision(
    *results: ResultDecision, requests: tuple[Request, ...] = (), wait: timedelta | None = None
) -> Decision:
    until = None if wait is None else MORNING + wait
    return Decision("a" * 64, MORNING, results, requests=requests, wait_until=until)


def case_of(stored: CaseRecord) -> Case:
    results = tuple(
        Result(
            place, "potassium", "Potassium", "K", Number(Decimal("6.4")), "mmol/L", "6.4",
            "mmol/L", "F", one.state,
        )
        for place, one in enumerate(stored.entries)
    )  # fmt: skip
    return Case(stored.patient, stored.specimen, results, {}, {}, MORNING, stored.opened)


def inbound(control_id: str = "M1", raw: bytes = b"MSH|...", **more: object) -> Inbound:
    digest = hashlib.sha256(raw).digest()
    fields = {"outcome": "accepted", "ack": b"MSA|AA", "received": MORNING, **more}
    return Inbound(
        id=new_id(), connection="line", application="APP", facility="FAC",
        control_id=control_id, body_hash=digest, type="ORU^R01", raw=raw, **fields,
    )  # type: ignore[arg-type]  # fmt: skip


def outgoing(destination: str = "lis", case_id: int | None = None) -> Outgoing:
    number = new_id()
    return Outgoing(number, destination, case_id, f"O{number}", b"MSH|out", MORNING)


def add_case(tx: Transaction, stored: CaseRecord, made: Decision, *rows: ResultRow) -> int:
    number = new_id()
    tx.save_case(number, stored, made, rows)
    tx.add_decision(number, None, made)
    return number

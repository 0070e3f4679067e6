"""What was done: the audit log."""

from datetime import date, datetime, time, timedelta

from fastapi import APIRouter, Depends
from fastapi.responses import Response

from verifier.store.rows import Session
from verifier.store.transaction import Reader
from verifier.store.verify import together
from verifier.web.desk import Content, Desk, TheDesk
from verifier.web.guard import May, Visitor, meant

router = APIRouter()
MOST_ENTRIES = 300


@router.get("/audit", dependencies=[Depends(May("read the audit log"))])
def audit(desk: TheDesk, session: Visitor, subject: str = "") -> Response:
    """Show the newest entries, or those on one subject; looking at them is put on record."""
    seen = {"subject": subject} if subject else {}
    desk.store.write(lambda tx: tx.audit(session.person.name, "looked at", "audit", seen))
    return desk.show("audit.html", session, lambda r: _entries(r, subject) | {"verdict": None})


@router.get("/audit/patient", dependencies=[Depends(May("read the audit log"))])
def patient(desk: TheDesk, session: Visitor, find: str = "") -> Response:
    """Show who saw a patient, found by a specimen or by the key of a patient."""
    find = find.strip()

    def gather(reader: Reader) -> Content:
        key = _patient_key(reader, find)
        return {"find": find, "key": key, "sights": reader.who_saw(key) if key else []}

    _asked(desk, session, "asked who saw a patient", {"find": find})
    return desk.show("audit_patient.html", session, gather)


@router.get("/audit/person", dependencies=[Depends(May("read the audit log"))])
def person(desk: TheDesk, session: Visitor, name: str = "", day: str = "") -> Response:
    """Show whom a person saw on a day, today if none is named."""
    start = _start_of(desk, day)

    def gather(reader: Reader) -> Content:
        seen = reader.seen_by(name, start, start + timedelta(days=1)) if name else []
        names = [one.name for one in reader.people()]
        return {"name": name, "day": start.date().isoformat(), "sights": seen, "names": names}

    _asked(desk, session, "asked whom a person saw", {"person": name, "day": day})
    return desk.show("audit_person.html", session, gather)


def _asked(desk: Desk, session: Session, what: str, detail: dict[str, str]) -> None:
    if any(detail.values()):
        desk.store.write(lambda tx: tx.audit(session.person.name, what, "audit", detail))


def _patient_key(reader: Reader, find: str) -> str:
    """Return the key of the patient of a specimen, or the text itself where it is such a key."""
    if not find:
        return ""
    case = reader.case_by_specimen(find)
    patient = case.record.patient if case else None
    if patient and patient.key:
        return patient.key
    return find if reader.cases_of_patient(find, 1) else ""


def _start_of(desk: Desk, day: str) -> datetime:
    try:
        return datetime.combine(date.fromisoformat(day), time(), desk.zone)
    except ValueError:
        return desk.midnight()


@router.post("/audit", dependencies=[Depends(May("read the audit log")), Depends(meant)])
def verify(desk: TheDesk, session: Visitor) -> Response:
    """Check the whole log against its tree and its signed checkpoints, and say what was found."""
    report = together(desk.store.verify_logs())
    detail = {"entries": report.entries, "findings": len(report.findings)}
    desk.store.write(lambda tx: tx.audit(session.person.name, "verified", "audit", detail))
    return desk.show("audit.html", session, lambda r: _entries(r, "") | {"verdict": report})


def _entries(reader: Reader, subject: str) -> Content:
    if subject:
        entries = reader.audit_of(subject)[-MOST_ENTRIES:][::-1]
    else:
        entries = reader.audit_newest(MOST_ENTRIES)
    return {"entries": entries, "head": reader.audit_head(), "subject": subject}

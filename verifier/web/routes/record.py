"""What was done: the audit log."""

from fastapi import APIRouter, Depends
from fastapi.responses import Response

from verifier.store.transaction import Reader
from verifier.store.verify import together
from verifier.web.desk import Content, TheDesk
from verifier.web.guard import May, Visitor, meant

router = APIRouter()
MOST_ENTRIES = 300


@router.get("/audit", dependencies=[Depends(May("read the audit log"))])
def audit(desk: TheDesk, session: Visitor, subject: str = "") -> Response:
    """Show the newest entries, or those on one subject; looking at them is put on record."""
    seen = {"subject": subject} if subject else {}
    desk.store.write(lambda tx: tx.audit(session.person.name, "looked at", "audit", seen))
    return desk.show("audit.html", session, lambda r: _entries(r, subject) | {"verdict": None})


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

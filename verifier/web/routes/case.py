"""One specimen: everything known about it, and settling its results with a signature."""

from functools import partial
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Form
from fastapi.responses import Response

from verifier.errors import RefusedError
from verifier.service import actions
from verifier.store.rows import Person, Session
from verifier.store.transaction import Reader, Transaction
from verifier.web.caseview import case_view
from verifier.web.desk import SIGNING, Content, Desk, TheDesk
from verifier.web.guard import May, Visitor, meant, see

router = APIRouter()
ACTIONS = ("release", "reject", "new")


@router.get("/case/{case_id}", dependencies=[Depends(May("look"))])
def case(case_id: int, desk: TheDesk, session: Visitor, paper: bool = False) -> Response:
    """Show a case, or its form for paper; who looked at which patient is put on record first."""
    desk.store.write(lambda tx: record_view(tx, session, case_id))
    return _page(desk, session, case_id, paper=paper)


@router.post("/case/{case_id}/sign", dependencies=[Depends(May("settle results")), Depends(meant)])
def sign(
    case_id: int,
    desk: TheDesk,
    session: Visitor,
    version: Annotated[int, Form()],
    action: Annotated[str, Form()] = "",
    places: Annotated[list[int] | None, Form()] = None,
    comment: Annotated[str, Form(max_length=1000)] = "",
    password: Annotated[str, Form(max_length=2000)] = "",
) -> Response:
    """Release, reject or ask for a new specimen, on the word of whoever gives the password."""
    try:
        if action not in ACTIONS:
            raise RefusedError("Choose what is to happen: release, reject or a new specimen.")
        who = desk.check_password(session.person.name, password, SIGNING)
        work = partial(_act, desk, who, case_id, action, places or [], comment.strip(), version)
        desk.store.write(work)
    except RefusedError as refused:
        again = {"action": action, "places": places or [], "comment": comment}
        return _page(desk, session, case_id, str(refused), again, status=409)
    return see(f"/?done={action}&case={case_id}")


def _act(
    desk: Desk,
    who: Person,
    case_id: int,
    action: str,
    places: list[int],
    comment: str,
    version: int,
    tx: Transaction,
) -> None:
    judge, now = desk.line.judge, desk.clock()
    if action == "new":
        actions.ask_new_specimen(tx, judge, who, case_id, comment, now, expected=version)
        return
    settle = actions.release if action == "release" else actions.reject
    settle(tx, judge, who, case_id, places, comment, now, expected=version)


def _page(
    desk: Desk,
    session: Session,
    case_id: int,
    refused: str = "",
    again: dict[str, Any] | None = None,
    *,
    status: int = 200,
    paper: bool = False,
) -> Response:
    def gather(reader: Reader) -> Content:
        view = case_view(reader, case_id, desk.line.judge, desk.clock(), desk.zone)
        return {"view": view, "next": _next(reader, case_id)}

    content = {"refused": refused, "again": again, "paper": paper}
    return desk.show("case.html", session, lambda r: gather(r) | content, status=status)


def _next(reader: Reader, case_id: int) -> int | None:
    """Return the case to look at after this one: the worst other one of the queue."""
    return next((row.case_id for row in reader.queue(most=2) if row.case_id != case_id), None)


def record_view(tx: Transaction, session: Session, case_id: int) -> None:
    """Put on record that somebody looks at a case, and so at which patient."""
    stored = tx.case(case_id)
    if stored is not None:
        patient = stored.record.patient
        detail = {"patient": patient.key if patient else "", "specimen": stored.record.specimen.key}
        tx.audit(session.person.name, "looked at", f"case:{case_id}", detail)

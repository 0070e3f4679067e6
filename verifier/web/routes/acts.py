"""After the release: corrections and taking back; and the list of what is asked for."""

from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Form
from fastapi.responses import Response

from verifier.errors import RefusedError
from verifier.service import asking, correcting
from verifier.store.rows import Session
from verifier.store.transaction import Reader, Transaction
from verifier.web.catalogue import told
from verifier.web.desk import Content, Desk, TheDesk
from verifier.web.guard import May, Visitor, meant, see
from verifier.web.routes.case import act_on, case_page, signature
from verifier.web.sights import shown

router = APIRouter()
Password = Annotated[str, Form(max_length=2000)]
Note = Annotated[str, Form(max_length=1000)]
Name = Annotated[str, Form(max_length=200)]


@router.post(
    "/case/{case_id}/correct", dependencies=[Depends(May("correct results")), Depends(meant)]
)
def correct(
    case_id: int,
    desk: TheDesk,
    session: Visitor,
    version: Annotated[int, Form()],
    place: Annotated[int, Form()],
    how: Annotated[Literal["value", "withdraw"], Form()],
    value: Annotated[str, Form(max_length=200)] = "",
    reason: Note = "",
    password: Password = "",
    although: Name = "",
) -> Response:
    """Correct or withdraw a result that has left, on the word of a pathologist."""
    try:
        who, _ = signature(desk, session, "correct", password)

        def work(tx: Transaction) -> None:
            judge, now = desk.line.judge, desk.clock()
            if how == "withdraw":
                correcting.withdraw(tx, judge, who, case_id, place, reason, now, expected=version)
                return
            correcting.correct(tx, judge, who, case_id, place, value, reason, now, expected=version)

        act_on(desk, who, case_id, although, work)
    except RefusedError as refused:
        typed = {"place": place, "how": how, "value": value, "reason": reason}
        return case_page(
            desk, session, case_id, told(refused), mending=typed, although=although, status=409
        )
    return see(f"/case/{case_id}")


@router.post("/case/{case_id}/undo", dependencies=[Depends(May("settle results")), Depends(meant)])
def undo(
    case_id: int,
    desk: TheDesk,
    session: Visitor,
    password: Password = "",
    although: Name = "",
) -> Response:
    """Take back what was just done and has not left."""
    try:
        who, _ = signature(desk, session, "undo", password)
        judge, now = desk.line.judge, desk.clock()
        act_on(
            desk, who, case_id, although, lambda tx: correcting.undo(tx, judge, who, case_id, now)
        )
    except RefusedError as refused:
        return case_page(desk, session, case_id, told(refused), although=although, status=409)
    return see(f"/case/{case_id}")


@router.get("/requests", dependencies=[Depends(May("look"))])
def requests(desk: TheDesk, session: Visitor) -> Response:
    """List what is asked for and has not come."""
    return _requests(desk, session)


@router.post("/requests/{number}", dependencies=[Depends(May("settle results")), Depends(meant)])
def close(
    number: int,
    desk: TheDesk,
    session: Visitor,
    how: Annotated[Literal["came", "off"], Form()],
    note: Note = "",
    although: Name = "",
) -> Response:
    """Close a request by hand."""
    who, now = session.person, desk.clock()

    def work(tx: Transaction) -> None:
        asking.close_request(tx, who, number, note, now, came=how == "came")

    try:
        asked = desk.store.read(lambda reader: reader.request(number))
        if asked is None:
            raise RefusedError("There is no such request.")
        act_on(desk, who, asked.case_id, although, work)
    except RefusedError as refused:
        return _requests(desk, session, told(refused), status=409)
    return see("/requests")


def _requests(desk: Desk, session: Session, refused: str = "", *, status: int = 200) -> Response:
    def gather(reader: Reader) -> Content:
        rows = reader.open_requests()
        cases = [found for row in rows if (found := reader.case(row.case_id))]
        claims = reader.claims(desk.view().claims_since)
        sees = [shown(case) for case in cases]
        return {"rows": rows, "refused": refused, "claims": claims, "sees": sees}

    return desk.show("requests.html", session, gather, status=status)

"""After the release: corrections and taking back; and the list of what is asked for."""

from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Form
from fastapi.responses import Response

from verifier.errors import RefusedError
from verifier.service import asking, correcting
from verifier.store.rows import Session
from verifier.store.transaction import Reader, Transaction
from verifier.web.desk import Content, Desk, TheDesk
from verifier.web.guard import May, Visitor, meant, see
from verifier.web.routes.case import case_page, signature
from verifier.web.sights import shown

router = APIRouter()
Password = Annotated[str, Form(max_length=2000)]
Note = Annotated[str, Form(max_length=1000)]


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

        desk.store.write(work)
    except RefusedError as refused:
        typed = {"place": place, "how": how, "value": value, "reason": reason}
        return case_page(desk, session, case_id, str(refused), mending=typed, status=409)
    return see(f"/case/{case_id}")


@router.post("/case/{case_id}/undo", dependencies=[Depends(May("settle results")), Depends(meant)])
def undo(case_id: int, desk: TheDesk, session: Visitor, password: Password = "") -> Response:
    """Take back what was just done and has not left."""
    try:
        who, _ = signature(desk, session, "undo", password)
        desk.store.write(
            lambda tx: correcting.undo(tx, desk.line.judge, who, case_id, desk.clock())
        )
    except RefusedError as refused:
        return case_page(desk, session, case_id, str(refused), status=409)
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
) -> Response:
    """Close a request by hand."""
    try:
        desk.store.write(
            lambda tx: asking.close_request(
                tx, session.person, number, note, desk.clock(), came=how == "came"
            )
        )
    except RefusedError as refused:
        return _requests(desk, session, str(refused), status=409)
    return see("/requests")


def _requests(desk: Desk, session: Session, refused: str = "", *, status: int = 200) -> Response:
    def gather(reader: Reader) -> Content:
        rows = reader.open_requests()
        cases = [found for row in rows if (found := reader.case(row.case_id))]
        return {"rows": rows, "refused": refused, "sees": [shown(case) for case in cases]}

    return desk.show("requests.html", session, gather, status=status)

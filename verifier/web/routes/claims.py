"""Claiming, giving back and handing over a specimen, and who has its page open."""

from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import JSONResponse, Response

from verifier.errors import RefusedError
from verifier.service import worklist
from verifier.store.rows import Session
from verifier.store.transaction import Transaction
from verifier.web.catalogue import told
from verifier.web.desk import TheDesk
from verifier.web.guard import May, Visitor, meant, meant_by_page, own_path, see, watching

router = APIRouter()


@router.post("/case/{case_id}/claim", dependencies=[Depends(May("settle results")), Depends(meant)])
def claim(
    request: Request,
    case_id: int,
    desk: TheDesk,
    session: Visitor,
    act: Annotated[Literal["claim", "give back", "hand over"], Form()] = "claim",
    to: Annotated[str, Form(max_length=200)] = "",
    although: Annotated[str, Form(max_length=200)] = "",
    back: Annotated[str, Form(max_length=2000)] = "/",
) -> Response:
    """Take a specimen, give it back or hand it over; a script is answered with a sentence."""
    who, seen = session.person, desk.view(session.person.name)

    def work(tx: Transaction) -> None:
        if act == "claim":
            worklist.claim(tx, seen, who, case_id, although)
        elif act == "give back":
            worklist.give_back(tx, seen, who, case_id)
        else:
            worklist.hand_over(tx, seen, who, case_id, to)

    scripted = "application/json" in request.headers.get("accept", "")
    try:
        desk.store.write(work)
    except RefusedError as refused:
        if not scripted:
            raise
        return JSONResponse({"refused": told(refused)}, status_code=409)
    return JSONResponse({}) if scripted else see(own_path(back))


@router.post("/case/{case_id}/looking", dependencies=[Depends(watching), Depends(meant_by_page)])
def looking(
    case_id: int,
    desk: TheDesk,
    session: Annotated[Session, Depends(watching)],
    here: Annotated[bool, Form()] = True,
) -> Response:
    """Take note that somebody has the page of a specimen open, or has closed it."""
    name = session.person.name
    view = desk.view(name)

    def work(tx: Transaction) -> None:
        if here and tx.case(case_id):
            worklist.listen(tx, view, name, case_id)
        else:
            tx.leave([case_id], name)

    desk.store.write(work)
    others = desk.store.read(lambda reader: reader.present(view.seen_since).get(case_id, []))
    standing = desk.store.read(lambda reader: reader.claim_of(case_id, view.claims_since))
    return JSONResponse(
        {
            "looking": [other for other in others if other != name],
            "claim": standing.person if standing else "",
        }
    )

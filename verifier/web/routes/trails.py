"""The trail of one result on one page, to look at and to print."""

from fastapi import APIRouter, Depends
from fastapi.responses import Response

from verifier.errors import StoreError
from verifier.store.inclusion import EntryStanding
from verifier.store.transaction import Reader
from verifier.web.catalogue import told
from verifier.web.desk import Content, Desk, TheDesk
from verifier.web.guard import May, Visitor
from verifier.web.routes.case import record_view
from verifier.web.trail import DERIVED, Trail, trail_of

router = APIRouter()


@router.get("/case/{case_id}/trail/{place}", dependencies=[Depends(May("look"))])
def trail(
    case_id: int,
    place: int,
    desk: TheDesk,
    session: Visitor,
    proof: bool = False,
    paper: bool = False,
) -> Response:
    """Show everything that happened to a result; with `proof` check its entries in the log."""
    return _show(desk, session, case_id, place, "", proof=proof, paper=paper)


@router.get("/case/{case_id}/derived/{test}", dependencies=[Depends(May("look"))])
def derived(
    case_id: int,
    test: str,
    desk: TheDesk,
    session: Visitor,
    proof: bool = False,
    paper: bool = False,
) -> Response:
    """Show the same of a derived result."""
    return _show(desk, session, case_id, DERIVED, test, proof=proof, paper=paper)


def _show(
    desk: Desk, session: Visitor, case_id: int, place: int, test: str, *, proof: bool, paper: bool
) -> Response:
    desk.store.write(lambda tx: record_view(tx, session, case_id))

    def gather(reader: Reader) -> Content:
        found = trail_of(reader, case_id, place, test)
        shown, trouble = _proven(desk, found) if proof and found else ({}, "")
        return {"trail": found, "proofs": shown, "trouble": trouble, "paper": paper, "proof": proof}

    return desk.show("trail.html", session, gather)


def _proven(desk: Desk, trail: Trail) -> tuple[dict[tuple[str, int], EntryStanding], str]:
    try:
        return desk.store.prove_entries(trail.entries), ""
    except StoreError as error:
        return {}, told(error)

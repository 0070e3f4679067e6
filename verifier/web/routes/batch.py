"""Releasing like specimens with one signature: what would leave, signing, what became of it."""

from collections.abc import Iterable
from typing import Annotated

from fastapi import APIRouter, Depends, Form, HTTPException, Query
from fastapi.responses import Response

from verifier.errors import RefusedError
from verifier.facts.verdicts import ResultDecision
from verifier.service import batch
from verifier.service.batch import Chosen
from verifier.store.likeness import following, likeness
from verifier.store.rows import Session, StoredCase
from verifier.store.severity import open_results
from verifier.store.transaction import Reader, Transaction
from verifier.web.desk import SIGNING, Content, Desk, TheDesk
from verifier.web.guard import May, Visitor, meant, see

router = APIRouter()
_One = Annotated[list[str] | None, Query(max_length=batch.MOST)]


@router.get("/batch", dependencies=[Depends(May("settle results"))])
def choose(desk: TheDesk, session: Visitor, one: _One = None) -> Response:
    """Show exactly what would leave; whose results were looked at is put on record first."""
    chosen = _chosen(one or [])
    desk.store.write(lambda tx: _record_views(tx, session, chosen))
    return _page(desk, session, chosen)


@router.post("/batch", dependencies=[Depends(May("settle results")), Depends(meant)])
def sign(
    desk: TheDesk,
    session: Visitor,
    one: Annotated[list[str] | None, Form()] = None,
    like: Annotated[str, Form(max_length=64)] = "",
    comment: Annotated[str, Form(max_length=1000)] = "",
    password: Annotated[str, Form(max_length=2000)] = "",
) -> Response:
    """Release them on the word of whoever gives the password; each is on record by itself."""
    chosen = _chosen(one or [])
    try:
        if not chosen or not like:
            raise RefusedError("Choose at least one specimen.")
        who = desk.check_password(session.person.name, password, SIGNING)
    except RefusedError as refused:
        return _page(desk, session, chosen, str(refused), comment, status=409)
    view = desk.view(who.name)
    number = batch.release(desk.store, desk.line.judge, view, who, chosen, like, comment.strip())
    return see(f"/batch/{number}")


@router.get("/batch/{number}", dependencies=[Depends(May("look"))])
def outcome(number: int, desk: TheDesk, session: Visitor) -> Response:
    """Show what became of a batch, as the record has it."""

    def gather(reader: Reader) -> Content:
        entries = reader.audit_of(f"batch:{number}")
        detail = entries[0].detail if entries else None
        if detail is None:
            raise HTTPException(404, "There is no such batch, or its record is older than is kept")
        left, stayed = detail["released"], detail["not released"]
        assert isinstance(left, list)
        assert isinstance(stayed, dict)
        return {
            "number": number,
            "entry": entries[0],
            "comment": detail["comment"],
            "left": [(case_id, reader.case(case_id)) for case_id in left],
            "stayed": [(int(one), reader.case(int(one)), why) for one, why in stayed.items()],
        }

    return desk.show("batch_done.html", session, gather)


def _chosen(texts: Iterable[str]) -> list[Chosen]:
    """Return what `case.version` texts name, each case once; anything else is left out."""
    found = {}
    for text in texts:
        case_id, _, version = text.partition(".")
        if case_id.isdecimal() and version.isdecimal() and len(text) < 40:
            found[int(case_id)] = Chosen(int(case_id), int(version))
    return list(found.values())[: batch.MOST]


def _page(
    desk: Desk,
    session: Session,
    chosen: list[Chosen],
    refused: str = "",
    comment: str = "",
    *,
    status: int = 200,
) -> Response:
    view = desk.view(session.person.name)

    def gather(reader: Reader) -> Content:
        found = batch.gather(reader, view, chosen)
        first = found.leaving[0] if found.leaving else None
        like = likeness(first.record, first.decision) if first and first.decision else ""
        leaving = [(stored, _leaving(stored)) for stored in found.leaving]
        return {"leaving": leaving, "staying": found.staying, "like": like}

    content = {"refused": refused, "comment": comment}
    return desk.show("batch.html", session, lambda r: gather(r) | content, status=status)


def _leaving(stored: StoredCase) -> list[ResultDecision]:
    """Return the held results, and after them what is derived from them and leaves with them."""
    if stored.decision is None:
        return []
    held = open_results(stored.record, stored.decision, "hold")
    return [*held, *following(stored.decision)]


def _record_views(tx: Transaction, session: Session, chosen: list[Chosen]) -> None:
    for one in chosen:
        if stored := tx.case(one.case_id):
            record = stored.record
            key = record.patient.key if record.patient else ""
            detail = {"patient": key, "specimen": record.specimen.key, "for": "a batch"}
            tx.audit(session.person.name, "looked at", f"case:{one.case_id}", detail)

"""Releasing like specimens with one signature: what would leave, signing, what became of it."""

from collections.abc import Iterable
from typing import Annotated

from fastapi import APIRouter, Depends, Form, HTTPException, Query
from fastapi.responses import Response

from verifier.errors import RefusedError
from verifier.facts.verdicts import ResultDecision
from verifier.service import batch
from verifier.service.batch import Chosen
from verifier.service.settling import Words
from verifier.store.likeness import following, likeness
from verifier.store.rows import Session, StoredCase
from verifier.store.severity import open_results
from verifier.store.transaction import Reader
from verifier.web.catalogue import say, told
from verifier.web.desk import Content, Desk, TheDesk
from verifier.web.guard import May, Visitor, meant, see
from verifier.web.routes.case import signature
from verifier.web.sights import shown

router = APIRouter()
_One = Annotated[list[str] | None, Query(max_length=batch.MOST)]


@router.get("/batch", dependencies=[Depends(May("settle results"))])
def choose(desk: TheDesk, session: Visitor, one: _One = None) -> Response:
    """Show exactly what would leave."""
    return _page(desk, session, _chosen(one or []))


@router.post("/batch", dependencies=[Depends(May("settle results")), Depends(meant)])
def sign(
    desk: TheDesk,
    session: Visitor,
    one: Annotated[list[str] | None, Form()] = None,
    like: Annotated[str, Form(max_length=64)] = "",
    comment: Annotated[str, Form(max_length=1000)] = "",
    reason: Annotated[str, Form(max_length=20)] = "",
    why: Annotated[str, Form(max_length=1000)] = "",
    password: Annotated[str, Form(max_length=2000)] = "",
) -> Response:
    """Release them on the word of whoever gives the password; each is on record by itself."""
    chosen = _chosen(one or [])
    try:
        if not chosen or not like:
            raise RefusedError("Choose at least one specimen.")
        words = _words(desk, reason, why.strip())
        who, _ = signature(desk, session, "batch", password)
    except RefusedError as refused:
        again = {"comment": comment, "reason": reason, "why": why}
        return _page(desk, session, chosen, told(refused), again, status=409)
    view, judge = desk.view(who.name), desk.line.judge
    number = batch.release(desk.store, judge, view, who, chosen, like, comment.strip(), words)
    return see(f"/batch/{number}")


@router.get("/batch/{number}", dependencies=[Depends(May("look"))])
def outcome(number: int, desk: TheDesk, session: Visitor) -> Response:
    """Show what became of a batch, as the record has it."""

    def gather(reader: Reader) -> Content:
        entries = reader.audit_of(f"batch:{number}")
        detail = entries[0].detail if entries else None
        if detail is None:
            raise HTTPException(
                404, say("There is no such batch, or its record is older than is kept")
            )
        released, not_released = detail["released"], detail["not released"]
        assert isinstance(released, list)
        assert isinstance(not_released, dict)
        left = [(case_id, reader.case(case_id)) for case_id in released]
        stayed = [(int(one), reader.case(int(one)), why) for one, why in not_released.items()]
        seen = [*(one for _, one in left), *(one for _, one, _ in stayed)]
        return {
            "number": number,
            "entry": entries[0],
            "detail": detail,
            "left": left,
            "stayed": stayed,
            "sees": [shown(stored) for stored in seen if stored],
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
    again: dict[str, str] | None = None,
    *,
    status: int = 200,
) -> Response:
    view = desk.view(session.person.name)

    def gather(reader: Reader) -> Content:
        found = batch.gather(reader, view, chosen)
        first = found.leaving[0] if found.leaving else None
        like = likeness(first.record, first.decision) if first and first.decision else ""
        leaving = [(stored, _leaving(stored)) for stored in found.leaving]
        seen = [*found.leaving, *(stored for _, stored, _ in found.staying if stored)]
        return {
            "leaving": leaving,
            "staying": found.staying,
            "like": like,
            "sees": [shown(stored) for stored in seen],
        }

    content = {"refused": refused, "again": again, "reasons": desk.settings.acts.reasons}
    return desk.show("batch.html", session, lambda r: gather(r) | content, status=status)


def _leaving(stored: StoredCase) -> list[ResultDecision]:
    """Return the held results, and after them what is derived from them and leaves with them."""
    if stored.decision is None:
        return []
    held = open_results(stored.record, stored.decision, "hold")
    return [*held, *following(stored.decision)]


def _words(desk: Desk, reason: str, why: str) -> Words:
    """Return why all of them leave although rules held them. Raises RefusedError."""
    acts = desk.settings.acts
    if reason and reason not in {coded.code for coded in acts.reasons}:
        raise RefusedError("There is no reason with the code %(reason)s.", reason=reason)
    if acts.override_reason == "required" and not (reason or why):
        raise RefusedError("Say why they are released although rules held them.")
    return Words(reason=reason, why=why)

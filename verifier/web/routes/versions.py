"""The way of a version: its changes, scenarios and replay, approvals, activation, rollback."""

from collections.abc import Callable
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Depends, Form, HTTPException
from fastapi.responses import Response

from verifier.errors import RefusedError, VerifierError
from verifier.service import ruleapproval, ruleorders, ruleshelf
from verifier.service.replaycover import short_of
from verifier.store.rows import Session
from verifier.store.transaction import Reader
from verifier.web import versionview, versionwork
from verifier.web.catalogue import say, told
from verifier.web.desk import SIGNING, Content, Desk, TheDesk
from verifier.web.guard import May, Visitor, meant, see

router = APIRouter()
Password = Annotated[str, Form(max_length=2000)]
Note = Annotated[str, Form(max_length=1000)]
Seen = Annotated[str, Form(max_length=100)]
_writes = [Depends(May("write rules")), Depends(meant)]
_approves = [Depends(May("approve rules")), Depends(meant)]
_activates = [Depends(May("activate rules")), Depends(meant)]


@router.get("/rules/versions", dependencies=[Depends(May("look"))])
def versions(desk: TheDesk, session: Visitor) -> Response:
    """Show every version with its state, and when each decided."""
    return _versions(desk, session)


@router.get("/rules/compare", dependencies=[Depends(May("look"))])
def compare(desk: TheDesk, session: Visitor, old: int, new: int) -> Response:
    """Say in words how two versions differ."""
    before, after = desk.store.read(
        lambda reader: (ruleshelf.texts(reader, old), ruleshelf.texts(reader, new))
    )
    content = {"old": old, "new": new, "sentences": versionview.between(before, after)}
    return desk.show("rules_compare.html", session, lambda reader: content)


@router.get("/rules/version/{number}", dependencies=[Depends(May("look"))])
def version(number: int, desk: TheDesk, session: Visitor) -> Response:
    """Show one version: what it changes, what is known of it, and what can be done next."""
    return _version(desk, session, number)


@router.get("/rules/version/{number}/work", dependencies=[Depends(May("look"))])
def work(number: int, desk: TheDesk) -> Response:
    """Show how far scenarios and replay are, for the page that is open."""
    content = desk.store.read(lambda reader: versionview.work(reader, desk, number))
    return desk.bare("rules_work.html", content)


@router.post("/rules/version/{number}/scenarios", dependencies=_writes)
def scenarios(number: int, desk: TheDesk, session: Visitor) -> Response:
    """Begin to run the scenarios."""
    versionwork.start_scenarios(desk, number)
    return see(f"/rules/version/{number}#tested")


@router.post("/rules/version/{number}/prove", dependencies=_approves)
def prove(number: int, desk: TheDesk, session: Visitor) -> Response:
    """Begin to prove the guarantees."""
    desk.store.read(lambda reader: ruleshelf.known(reader, number))
    versionwork.start_proofs(desk, session.person.name, number)
    return see(f"/rules/version/{number}#proved")


@router.post("/rules/version/{number}/replay", dependencies=_approves)
def replay(
    number: int, desk: TheDesk, session: Visitor, days: Annotated[int, Form(ge=0, le=36500)] = 0
) -> Response:
    """Begin to judge history again, 0 days are all there is; and to prove what is not proved."""
    versionwork.start_proofs(desk, session.person.name, number)
    versionwork.start_replay(desk, session.person.name, number, days)
    return see(f"/rules/version/{number}#tested")


@router.post("/rules/version/{number}/send", dependencies=_writes)
def send(number: int, desk: TheDesk, session: Visitor) -> Response:
    """Check a draft with its scenarios as the service would use it; then it waits for approval."""

    def act() -> None:
        row = desk.store.read(lambda r: ruleshelf.replay_of(r, number, desk.clock()))
        if row is None:
            raise RefusedError(
                "Replay it first: those who approve it must see what it would change."
            )
        if short := short_of(row, desk.settings.replay_days):
            raise RefusedError(short)
        versionwork.send(desk, session.person.name, number)

    return _acted(desk, session, number, act)


@router.post("/rules/version/{number}/approve", dependencies=_approves)
def approve(
    number: int,
    desk: TheDesk,
    session: Visitor,
    hash: Seen,
    replayed: Seen,
    password: Password = "",
    note: Note = "",
) -> Response:
    """Approve what was shown, signed with the password."""

    def act() -> None:
        who = desk.check_password(session.person.name, password, SIGNING)
        seen = ruleapproval.Seen(hash, replayed)
        least = desk.settings.replay_days
        desk.store.write(
            lambda tx: ruleapproval.approve(tx, who, number, seen, note.strip(), least=least)
        )

    return _acted(desk, session, number, act)


@router.post("/rules/version/{number}/activate", dependencies=_activates)
def activate(
    number: int,
    desk: TheDesk,
    session: Visitor,
    at: Annotated[str, Form(max_length=40)] = "",
    password: Password = "",
    note: Note = "",
) -> Response:
    """Let an approved version decide, now or from a time on, signed with the password."""

    def act() -> None:
        moment = _moment(desk, at)
        who = desk.check_password(session.person.name, password, SIGNING)
        desk.store.write(lambda tx: ruleorders.order(tx, who, number, moment, note.strip()))

    return _acted(desk, session, number, act)


@router.post("/rules/withdraw", dependencies=_activates)
def withdraw(desk: TheDesk, session: Visitor, password: Password = "") -> Response:
    """Take back an activation that is not due yet, signed with the password."""
    try:
        who = desk.check_password(session.person.name, password, SIGNING)
        desk.store.write(lambda tx: ruleorders.withdraw(tx, who))
    except RefusedError as refused:
        return _versions(desk, session, told(refused))
    return see("/rules/versions")


@router.post("/rules/roll-back", dependencies=_activates)
def roll_back(
    desk: TheDesk, session: Visitor, password: Password = "", because: Note = ""
) -> Response:
    """Let the version before decide again at once, signed with the password."""
    try:
        who = desk.check_password(session.person.name, password, SIGNING)
        desk.store.write(lambda tx: ruleorders.roll_back(tx, who, because.strip()))
    except RefusedError as refused:
        return _versions(desk, session, told(refused))
    return see("/rules/versions")


def _moment(desk: Desk, text: str) -> datetime | None:
    """Return a time as the laboratory's clock shows it; None for now."""
    if not text.strip():
        return None
    try:
        return datetime.fromisoformat(text.strip()).replace(tzinfo=desk.zone)
    except ValueError as error:
        raise RefusedError("Write the time as 2026-03-31 06:00, or leave it out.") from error


def _acted(desk: Desk, session: Session, number: int, act: Callable[[], None]) -> Response:
    try:
        act()
    except VerifierError as refused:
        return _version(desk, session, number, told(refused))
    return see(f"/rules/version/{number}")


def _versions(desk: Desk, session: Session, refused: str = "") -> Response:
    def gather(reader: Reader) -> Content:
        return versionview.every(reader, desk) | {"refused": refused}

    return desk.show("rules_versions.html", session, gather, status=409 if refused else 200)


def _version(desk: Desk, session: Session, number: int, refused: str = "") -> Response:
    def gather(reader: Reader) -> Content:
        if reader.rule_version(number) is None:
            raise HTTPException(404, say("There is no such version of the rules"))
        return versionview.one(reader, desk, number, session.person) | {"refused": refused}

    return desk.show("rules_version.html", session, gather, status=409 if refused else 200)

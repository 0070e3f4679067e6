"""One specimen: everything known about it, and settling its results with a signature."""

from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Form
from fastapi.responses import Response
from msgspec import Struct

from verifier.errors import RefusedError
from verifier.facts.case import LEFT
from verifier.practice import Act
from verifier.service import actions, asking, worklist
from verifier.service.correcting import last_act
from verifier.service.settling import Words, held_by, serious
from verifier.store.rows import Person, Session
from verifier.store.transaction import Reader, Transaction
from verifier.store.worklistrows import View
from verifier.web.caseview import CaseView, case_view
from verifier.web.catalogue import told
from verifier.web.claimview import claim_view
from verifier.web.desk import SIGNING, Content, Desk, TheDesk
from verifier.web.guard import May, Visitor, meant, see
from verifier.web.roles import signs

router = APIRouter()
ACTIONS: dict[str, Act] = {
    "release": "release",
    "suppress": "suppress",
    "reject": "reject",
    "rerun": "ask",
    "dilution": "ask",
    "new": "ask",
}


class Wish(Struct, frozen=True):
    """What the form asks for."""

    action: str
    places: tuple[int, ...]
    comment: str
    version: int
    words: Words


@router.get("/case/{case_id}", dependencies=[Depends(May("look"))])
def case(case_id: int, desk: TheDesk, session: Visitor, paper: bool = False) -> Response:
    """Show a case, or its form for paper; who looked at which patient is put on record first."""
    desk.store.write(lambda tx: _look(tx, session, case_id, desk.view()))
    return case_page(desk, session, case_id, paper=paper)


@router.post("/case/{case_id}/sign", dependencies=[Depends(May("settle results")), Depends(meant)])
def sign(
    case_id: int,
    desk: TheDesk,
    session: Visitor,
    version: Annotated[int, Form()],
    action: Annotated[str, Form()] = "",
    places: Annotated[list[int] | None, Form()] = None,
    comment: Annotated[str, Form(max_length=1000)] = "",
    codes: Annotated[list[str] | None, Form()] = None,
    reason: Annotated[str, Form(max_length=20)] = "",
    why: Annotated[str, Form(max_length=1000)] = "",
    password: Annotated[str, Form(max_length=2000)] = "",
    although: Annotated[str, Form(max_length=200)] = "",
) -> Response:
    """Settle results or ask for a measurement; some acts ask for the password again."""
    try:
        if action not in ACTIONS:
            raise RefusedError("Choose what is to happen: release, reject, or one of the others.")
        who, signed = signature(desk, session, ACTIONS[action], password)
        words = Words(tuple(codes or ()), reason, why.strip(), signed)
        wish = Wish(action, tuple(places or ()), comment.strip(), version, words)
        act_on(desk, who, case_id, although, lambda tx: _act(desk, tx, who, case_id, wish))
    except RefusedError as refused:
        again = {"action": action, "places": places or [], "comment": comment, "codes": codes or []}
        again |= {"reason": reason, "why": why}
        return case_page(
            desk, session, case_id, told(refused), again, although=although, status=409
        )
    return see(f"/?done={action}&case={case_id}")


def signature(desk: Desk, session: Session, act: Act, password: str) -> tuple[Person, bool]:
    """Return who acts, and whether the password was given; one that is given has to be right.

    Raises:
        RefusedError: it is wrong, or missing where the act asks for it.
    """
    if password or signs(act, desk.settings.acts.password):
        return desk.check_password(session.person.name, password, SIGNING), True
    return session.person, False


def act_on(
    desk: Desk, who: Person, case_id: int, although: str, act: Callable[[Transaction], None]
) -> None:
    """Act on a case unless another has claimed it and that was not said to be known.

    Raises:
        RefusedError: as `worklist.heeding`.
    """
    view = desk.view(who.name)
    desk.store.write(lambda tx: worklist.heeding(tx, view, case_id, although, act))


def _act(desk: Desk, tx: Transaction, who: Person, case_id: int, wish: Wish) -> None:
    judge, now, places = desk.line.judge, desk.clock(), wish.places
    match wish.action:
        case "new":
            asking.ask_new_specimen(
                tx, judge, who, case_id, wish.comment, now,
                expected=wish.version, words=wish.words,
            )  # fmt: skip
        case "rerun" | "dilution" as what:
            asking.ask(
                tx, judge, who, case_id, what, places, wish.comment, now, expected=wish.version
            )
        case _:
            settle = {
                "release": actions.release, "suppress": actions.suppress, "reject": actions.reject,
            }[wish.action]  # fmt: skip
            if wish.action == "release":
                _check_reason(desk, tx, case_id, wish)
            settle(
                tx, judge, who, case_id, places, wish.comment, now,
                expected=wish.version, words=wish.words,
            )  # fmt: skip


def _check_reason(desk: Desk, tx: Transaction, case_id: int, wish: Wish) -> None:
    stored = tx.case(case_id)
    asked = desk.settings.acts.override_reason == "required"
    if not asked or stored is None or wish.words.reason or wish.words.why:
        return
    if rules := held_by(stored, wish.places):
        raise RefusedError(
            "Say why it is released although %(names)s held it.", names=", ".join(rules)
        )


def case_page(
    desk: Desk,
    session: Session,
    case_id: int,
    refused: str = "",
    again: dict[str, Any] | None = None,
    *,
    mending: dict[str, Any] | None = None,
    although: str = "",
    status: int = 200,
    paper: bool = False,
) -> Response:
    """Show a case, with what was refused and what had been typed, `mending` in the correction.

    `although` is whose claim the visitor said they know of.
    """

    def gather(reader: Reader) -> Content:
        view = case_view(reader, case_id, desk.line.judge, desk.clock(), desk.zone)
        view = case_view(reader, case_id, desk.line.judge, desk.clock(), desk.zone)
        more = _acting(desk, reader, view) if view else {}
        claim = claim_view(reader, desk.view(), session.person, case_id, although)
        return {"view": view, "next": _next(reader, case_id), "claim": claim} | more

    content = {"refused": refused, "again": again, "mending": mending, "paper": paper}
    return desk.show("case.html", session, lambda r: gather(r) | content, status=status)


def _acting(desk: Desk, reader: Reader, view: CaseView) -> Content:
    """Return what the forms of a case need to know."""
    stored, acts = view.stored, desk.settings.acts
    places = [line.place for line in view.open_lines]
    out = {line.place for line in view.open_lines if line.control == "out of control"}
    always = signs("release", acts.password)
    undo = last_act(reader, stored, desk.clock(), acts.undo_seconds)
    return {
        "comments": desk.settings.comments,
        "reasons_to_override": acts.reasons,
        "overridden": [place for place in places if held_by(stored, [place])],
        "to_sign": places if always else sorted({*serious(stored, places), *out}),
        "signed_acts": [name for name, act in ACTIONS.items() if signs(act, acts.password)],
        "left": [n for n in view.lines if n.place >= 0 and n.state in LEFT],
        "calls": [call for call in reader.calls_of_case(stored.id) if call.state == "open"],
        "asked": [row for row in reader.requests_of_case(stored.id) if row.state == "open"],
        "undo": undo,
    }


def _next(reader: Reader, case_id: int) -> int | None:
    """Return the case to look at after this one: the worst other one of the queue."""
    return next((row.case_id for row in reader.queue(most=2) if row.case_id != case_id), None)


def _look(tx: Transaction, session: Session, case_id: int, view: View) -> None:
    record_view(tx, session, case_id)
    if tx.case(case_id):
        worklist.look(tx, view, session.person.name, case_id)


def record_view(tx: Transaction, session: Session, case_id: int) -> None:
    """Put on record that somebody looks at a case, and so at which patient."""
    stored = tx.case(case_id)
    if stored is not None:
        patient = stored.record.patient
        detail = {"patient": patient.key if patient else "", "specimen": stored.record.specimen.key}
        tx.audit(session.person.name, "looked at", f"case:{case_id}", detail)

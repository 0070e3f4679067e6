"""What rules did in service, and writing a scenario from what a person overrode."""

from datetime import timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Form
from fastapi.responses import Response

from verifier.assurance.overrides import ADDED, tried
from verifier.assurance.usage import FATES, OVERRIDES
from verifier.assurance.usage_report import time_text
from verifier.rulefiles import without_marks
from verifier.service.overriding import into_draft, read_override, texts_in_use
from verifier.service.using import read_usage, reasons_given
from verifier.store.rows import Session
from verifier.store.transaction import Reader, Transaction
from verifier.texts import mark
from verifier.web.catalogue import say
from verifier.web.desk import Content, TheDesk
from verifier.web.guard import May, Visitor, meant
from verifier.web.roles import can
from verifier.web.sights import shown

_HEADS = {
    "unchanged": mark("Unchanged"), "corrected": mark("Corrected"), "rejected": mark("Rejected"),
    "withdrawn": mark("Withdrawn"), "by rules": mark("By rules"), "open": mark("Open"),
}  # fmt: skip
router = APIRouter()
PERIODS = (7, 30, 90, 365)
MOST_SPECIMENS = 20_000  # a page must not take minutes; the command reads everything


@router.get("/rules/usage", dependencies=[Depends(May("look"))])
def usage(desk: TheDesk, session: Visitor, days: int = 30, rule: str = "") -> Response:
    """Show how often each rule held, and what people did next; with `rule` its last overrides."""
    days = days if days in PERIODS else 30
    program = desk.line.judge.program
    since = desk.clock() - timedelta(days=days)
    found = read_usage(desk.store, program, since, most=MOST_SPECIMENS)
    chosen = next((use for use in found.rules if use.rule == rule), None)
    content = {
        "usage": found,
        "days": days,
        "periods": PERIODS,
        "fates": [(fate, say(_HEADS[fate])) for fate in FATES],
        "least": OVERRIDES,
        "time_text": time_text,
        "chosen": chosen,
        "written": None,
    }

    def gather(reader: Reader) -> Content:
        given = reasons_given(reader, since, desk.settings.acts.reasons).get(rule, [])
        lines = [_override(reader, *item) for item in (chosen.overrides if chosen else ())]
        sees = [line["shown"] for line in lines]
        return content | {"overrides": lines, "given": given, "sees": sees}

    return desk.show("usage.html", session, gather)


@router.post("/rules/usage/scenario", dependencies=[Depends(May("look")), Depends(meant)])
def scenario(
    desk: TheDesk,
    session: Visitor,
    case: Annotated[int, Form()],
    place: Annotated[int, Form()],
) -> Response:
    """Write the scenario of a result that a person released although rules held it.

    Whoever may write rules has it in a draft at once.
    """
    judge = desk.line.judge
    written, texts = desk.store.read(
        lambda reader: (
            read_override(reader, judge.program, case, place), texts_in_use(reader, judge)
        )
    )  # fmt: skip
    trial = tried(without_marks(texts.files), texts.parameters, written)

    def keep(tx: Transaction) -> int | None:
        _on_record(tx, session, case, place, written.name)
        if judge.version is None or trial.met is None or not can(session.person, "write rules"):
            return None
        return into_draft(tx, session.person, judge.version, written, desk.clock()).id

    draft = desk.store.write(keep)
    content = {"written": written, "trial": trial, "case": case, "draft": draft, "file": ADDED}
    return desk.show("usage.html", session, lambda reader: content)


def _override(reader: Reader, case_id: int, place: int) -> dict[str, Any]:
    stored = reader.case(case_id)
    assert stored is not None
    entry = stored.record.entries[place]
    return {
        "shown": shown(stored),
        "case": case_id,
        "place": place,
        "specimen": stored.record.specimen.key,
        "title": entry.observation.name or entry.observation.code,
        "value": f"{entry.observation.text or ''} {entry.observation.unit}".strip(),
        "arrived": entry.arrived,
        "by": entry.settled_by,
    }


def _on_record(tx: Transaction, session: Session, case_id: int, place: int, name: str) -> None:
    detail = {"place": place, "scenario": name}
    tx.audit(session.person.name, "wrote a scenario from an override", f"case:{case_id}", detail)

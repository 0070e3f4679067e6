"""What rules did in service, and writing a scenario from what a person overrode."""

from datetime import timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Form
from fastapi.responses import Response

from verifier.assurance.overrides import tried
from verifier.assurance.usage import FATES, OVERRIDES
from verifier.assurance.usage_report import FATE_WORDS, time_text
from verifier.rulefiles import read_files
from verifier.service.using import read_override, read_usage
from verifier.store.rows import Session
from verifier.store.transaction import Reader, Transaction
from verifier.web.desk import Content, TheDesk
from verifier.web.guard import May, Visitor, meant

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
        "fates": [(fate, FATE_WORDS[fate]) for fate in FATES],
        "least": OVERRIDES,
        "time_text": time_text,
        "chosen": chosen,
        "written": None,
    }

    def gather(reader: Reader) -> Content:
        shown = chosen.overrides if chosen else ()
        return content | {"overrides": [_override(reader, *item) for item in shown]}

    return desk.show("usage.html", session, gather)


@router.post("/rules/usage/scenario", dependencies=[Depends(May("look")), Depends(meant)])
def scenario(
    desk: TheDesk,
    session: Visitor,
    case: Annotated[int, Form()],
    place: Annotated[int, Form()],
) -> Response:
    """Write the scenario of a result that a person released although rules held it."""
    program = desk.line.judge.program
    written = desk.store.read(lambda reader: read_override(reader, program, case, place))
    files, _ = read_files(desk.settings.rules)
    trial = tried(files, desk.settings.parameters, written)
    desk.store.write(lambda tx: _on_record(tx, session, case, place, written.name))
    content = {"written": written, "trial": trial, "case": case}
    return desk.show("usage.html", session, lambda reader: content)


def _override(reader: Reader, case_id: int, place: int) -> dict[str, Any]:
    stored = reader.case(case_id)
    assert stored is not None
    entry = stored.record.entries[place]
    return {
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

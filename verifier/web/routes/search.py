"""Finding specimens. Whose were shown is put on record: who saw which patient."""

from typing import Annotated

from fastapi import APIRouter, Depends, Query
from fastapi.responses import Response

from verifier.errors import RefusedError
from verifier.store.rows import Session
from verifier.store.search import BECAME, Found
from verifier.web.catalogue import told
from verifier.web.desk import Content, Desk, TheDesk
from verifier.web.guard import May, Visitor
from verifier.web.searchview import PAGE, Fields, hits, question
from verifier.web.sights import shown

router = APIRouter()
Text = Annotated[str, Query(max_length=200)]


@router.get("/search", dependencies=[Depends(May("look"))])
def search(
    desk: TheDesk,
    session: Visitor,
    who: Text = "",
    specimen: Text = "",
    test: Text = "",
    became: Text = "",
    since: Text = "",
    until: Text = "",
    after: Text = "",
) -> Response:
    """Show the form, and what fits when something is asked."""
    fields = Fields(*(text.strip() for text in (who, specimen, test, became, since, until, after)))
    said, more = "", ""
    found: list[Found] = []
    try:
        if not fields.empty:
            found, more = _look(desk, session, fields)
    except RefusedError as refused:
        said = told(refused)
    content = _content(desk, fields, found) | {"more": more, "refused": said}
    return desk.show("search.html", session, lambda r: content, status=400 if said else 200)


def _look(desk: Desk, session: Session, fields: Fields) -> tuple[list[Found], str]:
    """Return what fits and the address of the next page, after putting on record who saw it."""
    asked = question(fields, desk.zone, desk.clock())
    found = desk.store.read(lambda reader: reader.search(asked, most=PAGE + 1))
    page = found[:PAGE]
    detail = {**fields.told(), **_seen(page)}
    desk.store.write(lambda tx: tx.audit(session.person.name, "searched", "search", detail))
    return page, fields.page_behind(page[-1].place) if len(found) > PAGE else ""


def _seen(found: list[Found]) -> dict[str, list[str]]:
    records = [one.record for one in found]
    patients = dict.fromkeys(record.patient.key for record in records if record.patient)
    return {
        "patients": [key for key in patients if key],
        "specimens": [record.specimen.key for record in records],
    }


def _content(desk: Desk, fields: Fields, found: list[Found]) -> Content:
    catalogue = desk.line.judge.program.catalogue
    return {
        "fields": fields,
        "hits": hits(found, catalogue),
        "sees": [shown(one) for one in found],
        "tests": sorted((test.title, name) for name, test in catalogue.tests.items()),
        "outcomes": [word for word in BECAME if word],
    }

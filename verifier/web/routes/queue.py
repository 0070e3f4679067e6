"""The work list, and the stream that tells open pages what changed."""

import asyncio
from collections.abc import AsyncIterator
from dataclasses import dataclass
from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response, StreamingResponse

from verifier.service.correcting import last_act
from verifier.store.rows import HeldResult, QueueRow, Session
from verifier.store.transaction import Reader
from verifier.web.desk import Content, TheDesk
from verifier.web.guard import COOKIE, May, Visitor, watching
from verifier.web.pulse import MOST_ROWS
from verifier.web.sights import shown

router = APIRouter()
URGENT = frozenset({"HH", "LL", "AA"})  # HL7 table 0078
MOST_GROUPS = 3  # per row; the rest is counted, the case shows all
HEARTBEAT_SECONDS = 15.0
FAR = timedelta(days=3650)  # every wait ends before

DONE = {
    "release": "released",
    "reject": "rejected",
    "new": "rejected, and a new specimen is asked for",
    "suppress": "words are reported in place of the values",
    "rerun": "a rerun is asked for",
    "dilution": "a rerun with dilution is asked for",
    "undo": "taken back; it is held again",
}


@dataclass(frozen=True, slots=True)
class Group:
    """Held results of a specimen that share one reason."""

    results: list[HeldResult]
    text: str


@dataclass(frozen=True, slots=True)
class Row:
    """A specimen of the queue with its held results by reason; `more` were left out."""

    row: QueueRow
    groups: list[Group]
    more: int


@router.get("/", dependencies=[Depends(May("look"))])
def queue(desk: TheDesk, session: Visitor, done: str = "", case: int = 0) -> Response:
    """Show the specimens with held results, worst and oldest first."""

    def gather(reader: Reader) -> Content:
        settled = reader.case(case) if done in DONE else None
        specimen = settled.record.specimen.key if settled else ""
        notice = f"Specimen {specimen}: {DONE[done]}." if settled else ""
        undo = settled and last_act(reader, settled, desk.clock(), desk.settings.acts.undo_seconds)
        return _rows(reader) | {"notice": notice, "undo": case if undo else 0}

    return desk.show("queue.html", session, gather)


@router.get("/queue/rows", dependencies=[Depends(May("look"))])
def rows(desk: TheDesk, session: Visitor) -> Response:
    """Return the rows alone, for a page that is open already."""
    return desk.show("queue_rows.html", session, _rows)


@router.get("/waiting", dependencies=[Depends(May("look"))])
def waiting(desk: TheDesk, session: Visitor) -> Response:
    """List the specimens that wait for a result still to come."""

    def gather(reader: Reader) -> Content:
        due = reader.waiting_due(desk.clock() + FAR, MOST_ROWS)
        cases = [found for case_id in due if (found := reader.case(case_id))]
        return {"cases": cases, "sees": [shown(case) for case in cases]}

    return desk.show("waiting.html", session, gather)


def _rows(reader: Reader) -> Content:
    rows = reader.queue(most=MOST_ROWS)
    return {"rows": [grouped(row) for row in rows], "sees": [shown(row) for row in rows]}


def grouped(row: QueueRow) -> Row:
    """Return a row with its held results joined where they share a reason."""
    groups: dict[str, Group] = {}
    for result in row.results:
        groups.setdefault(result.text, Group([], result.text)).results.append(result)
    shown = sorted(groups.values(), key=_calm)
    more = sum(len(group.results) for group in shown[MOST_GROUPS:])
    return Row(row, shown[:MOST_GROUPS], more)


def _calm(group: Group) -> bool:
    return not any(result.flag in URGENT for result in group.results)


@router.get("/events", dependencies=[Depends(watching)])
async def events(
    request: Request, desk: TheDesk, session: Annotated[Session, Depends(watching)]
) -> Response:
    """Stream the counters and the versions of the queue's rows whenever they change."""
    token = request.cookies[COOKIE]

    async def stream() -> AsyncIterator[str]:
        async for state in desk.pulse.watch(HEARTBEAT_SECONDS):
            if not await asyncio.to_thread(_still, desk, token):
                yield "event: signed-out\ndata: {}\n\n"
                return
            yield f"data: {state}\n\n" if state else ": still here\n\n"

    return StreamingResponse(stream(), media_type="text/event-stream")


def _still(desk: TheDesk, token: str) -> bool:
    return desk.store.read(lambda reader: reader.session(token, desk.clock())) is not None

"""The work list, and the stream that tells open pages what changed."""

import asyncio
import json
from collections.abc import AsyncIterator
from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import JSONResponse, Response, StreamingResponse

from verifier.service.correcting import last_act
from verifier.store.rows import Session
from verifier.store.transaction import Reader
from verifier.texts import mark
from verifier.web import worklistview
from verifier.web.catalogue import say
from verifier.web.desk import Content, Desk, TheDesk
from verifier.web.guard import COOKIE, May, Visitor, watching
from verifier.web.sights import shown
from verifier.web.worklistview import MOST_ROWS, Asked, TheList

router = APIRouter()
HEARTBEAT_SECONDS = 15.0
FAR = timedelta(days=3650)  # every wait ends before

DONE = {
    "release": mark("Specimen %(key)s: released."),
    "reject": mark("Specimen %(key)s: rejected."),
    "new": mark("Specimen %(key)s: rejected, and a new specimen is asked for."),
    "suppress": mark("Specimen %(key)s: words are reported in place of the values."),
    "rerun": mark("Specimen %(key)s: a rerun is asked for."),
    "dilution": mark("Specimen %(key)s: a rerun with dilution is asked for."),
    "undo": mark("Specimen %(key)s: taken back; it is held again."),
}
Watcher = Annotated[Session, Depends(watching)]


@router.get("/", dependencies=[Depends(May("look"))])
def queue(
    desk: TheDesk, session: Visitor, asked: TheList, done: str = "", case: int = 0
) -> Response:
    """Show the specimens with held results that the address asks for, worst and oldest first."""

    def gather(reader: Reader) -> Content:
        settled = reader.case(case) if done in DONE else None
        notice = say(DONE[done], key=settled.record.specimen.key) if settled else ""
        undo = settled and last_act(reader, settled, desk.clock(), desk.settings.acts.undo_seconds)
        more = {"notice": notice, "undo": case if undo else 0}
        return _page(desk, session, asked, reader) | more

    return desk.show("queue.html", session, gather)


@router.get("/queue/rows", dependencies=[Depends(May("look"))])
def rows(desk: TheDesk, session: Visitor, asked: TheList) -> Response:
    """Return the rows alone, for a page that is open already."""
    return desk.show("queue_rows.html", session, lambda r: _page(desk, session, asked, r))


@router.get("/queue/state", dependencies=[Depends(watching)])
def state(desk: TheDesk, session: Watcher, asked: TheList) -> Response:
    """Return what an open list would show now; asked for by the page, not by its reader."""
    view = desk.view(session.person.name)
    return JSONResponse(
        desk.store.read(lambda r: worklistview.state_of(r, asked, view, desk.moment))
    )


@router.get("/waiting", dependencies=[Depends(May("look"))])
def waiting(desk: TheDesk, session: Visitor) -> Response:
    """List the specimens that wait for a result still to come."""

    def gather(reader: Reader) -> Content:
        due = reader.waiting_due(desk.clock() + FAR, MOST_ROWS)
        cases = [found for case_id in due if (found := reader.case(case_id))]
        return {"cases": cases, "sees": [shown(case) for case in cases]}

    return desk.show("waiting.html", session, gather)


def _page(desk: Desk, session: Session, asked: Asked, reader: Reader) -> Content:
    page = worklistview.page_of(reader, asked, desk.view(session.person.name))
    return {"list": page, "sees": [shown(one.row) for one in page.rows]}


@router.get("/events", dependencies=[Depends(watching)])
async def events(request: Request, desk: TheDesk, session: Watcher) -> Response:
    """Stream the counters and the versions of the queue's rows whenever they change.

    Something is sent every few seconds all the same, so that a page notices a dead connection.
    """
    token = request.cookies[COOKIE]
    beat = f"event: beat\ndata: {json.dumps({'next': HEARTBEAT_SECONDS})}\n\n"

    async def stream() -> AsyncIterator[str]:
        yield beat
        async for news in desk.pulse.watch(HEARTBEAT_SECONDS):
            if not await asyncio.to_thread(_still, desk, token):
                yield "event: signed-out\ndata: {}\n\n"
                return
            yield f"data: {news}\n\n" if news else beat

    return StreamingResponse(stream(), media_type="text/event-stream")


def _still(desk: Desk, token: str) -> bool:
    return desk.store.read(lambda reader: reader.session(token, desk.clock())) is not None

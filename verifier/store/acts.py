"""What people did with results, and what they asked for."""

from datetime import datetime
from typing import Any

import msgspec
from sqlalchemy import bindparam, func, insert, select, text, update

from verifier.store import actschema
from verifier.store.actrows import ActRow, Done, RequestState, WorkRequest
from verifier.store.base import Reading, Writing
from verifier.store.codec import encode, instant, instant_or_none, micros
from verifier.store.sql import Statement

_act, _request = actschema.act, actschema.work_request
_done = msgspec.json.Decoder(Done)
_tests = msgspec.json.Decoder(tuple[str, ...])
_open = text("state = 'open'")

_ADD_ACT = Statement(insert(_act))
_ACTS_OF_CASE = Statement(
    select(_act).where(_act.c.case_id == bindparam("case")).order_by(_act.c.id)
)
_ACTS_SINCE = Statement(select(_act).where(_act.c.at >= bindparam("since")).order_by(_act.c.at))
_UNDO = Statement(
    update(_act)
    .where(_act.c.id == bindparam("number"), _act.c.undone.is_(None))
    .values(undone=bindparam("new_undone"), undone_by=bindparam("new_by"))
)
_ADD_REQUEST = Statement(insert(_request))
_OPEN_REQUESTS = Statement(select(_request).where(_open).order_by(_request.c.id))
_OF_PATIENT = Statement(
    select(_request)
    .where(_open, _request.c.patient == bindparam("patient"))
    .order_by(_request.c.id)
)
_REQUEST_COUNT = Statement(select(func.count()).select_from(_request).where(_open))
_REQUESTS_OF_CASE = Statement(
    select(_request).where(_request.c.case_id == bindparam("case")).order_by(_request.c.id)
)
_REQUEST = Statement(select(_request).where(_request.c.id == bindparam("number")))
_CLOSE_REQUEST = Statement(
    update(_request)
    .where(_request.c.id == bindparam("number"), _open)
    .values({name: bindparam(f"new_{name}") for name in ("state", "closed", "closed_by", "note")})
)
_MOVE = Statement(
    update(_request)
    .where(_request.c.case_id == bindparam("case"))
    .values(patient=bindparam("new_patient"))
)


class ActReads(Reading):
    """What can be asked about acts and requests."""

    def acts(self, case_id: int) -> list[ActRow]:
        """Return what people did with a case, oldest first, also what was taken back."""
        return [_act_of(row) for row in self._all(_ACTS_OF_CASE, case=case_id)]

    def acts_since(self, since: datetime) -> list[ActRow]:
        """Return what people did since an instant, oldest first."""
        return [_act_of(row) for row in self._all(_ACTS_SINCE, since=micros(since))]

    def open_requests(self) -> list[WorkRequest]:
        """Return what is asked for and has not come, oldest first."""
        return [_request_of(row) for row in self._all(_OPEN_REQUESTS)]

    def open_requests_of(self, patient: str) -> list[WorkRequest]:
        """Return what is open for a patient; an empty key stands for patients not known."""
        return [_request_of(row) for row in self._all(_OF_PATIENT, patient=patient)]

    def requests_of_case(self, case_id: int) -> list[WorkRequest]:
        """Return everything ever asked for because of a case."""
        return [_request_of(row) for row in self._all(_REQUESTS_OF_CASE, case=case_id)]

    def request_count(self) -> int:
        """Return how many requests are open."""
        return int(self._one(_REQUEST_COUNT)[0])

    def request(self, number: int) -> WorkRequest | None:
        """Return one request."""
        row = self._one(_REQUEST, number=number)
        return None if row is None else _request_of(row)


class ActWrites(ActReads, Writing):
    """What is written about acts and requests."""

    def add_act(self, row: ActRow) -> None:
        """Keep what a person did; the case must be saved before."""
        self._insert(
            _ADD_ACT, row.id, row.case_id, row.what, row.who, micros(row.at), encode(row.done),
            None, "",
        )  # fmt: skip

    def undo_act(self, number: int, who: str, at: datetime) -> bool:
        """Mark an act as taken back; False when it was already."""
        return self._run(_UNDO, number=number, new_undone=micros(at), new_by=who) == 1

    def add_request(self, row: WorkRequest) -> None:
        """Keep a request."""
        self._insert(
            _ADD_REQUEST, row.id, row.case_id, row.patient, row.specimen, row.what,
            encode(row.tests), row.comment, row.who, micros(row.at), row.destination, row.state,
            None, "", "",
        )  # fmt: skip
        self._touch("cases")

    def move_requests(self, case_id: int, patient: str) -> None:
        """Let the requests of a case be those of another patient key."""
        self._run(_MOVE, case=case_id, new_patient=patient)

    def close_request(
        self, number: int, state: RequestState, who: str, note: str, at: datetime
    ) -> bool:
        """Close an open request; False when it was not open."""
        self._touch("cases")
        done = self._run(
            _CLOSE_REQUEST, number=number, new_state=state, new_closed=micros(at),
            new_closed_by=who, new_note=note,
        )  # fmt: skip
        return done == 1


def _act_of(row: Any) -> ActRow:
    number, case_id, what, who, at, body, undone, undone_by = row
    return ActRow(
        number, case_id, what, who, instant(at), _done.decode(body), instant_or_none(undone),
        undone_by,
    )  # fmt: skip


def _request_of(row: Any) -> WorkRequest:
    number, case_id, patient, specimen, what, tests, comment, who, at, *rest = row
    destination, state, closed, closed_by, note = rest
    return WorkRequest(
        number, case_id, patient, specimen, what, _tests.decode(tests), comment, who, instant(at),
        destination, state, instant_or_none(closed), closed_by, note,
    )  # fmt: skip

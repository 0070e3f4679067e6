"""Messages to destinations: in strict order, each until it is taken or refused."""

from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import and_, bindparam, exists, func, insert, or_, select, text, update

from verifier.store import schema
from verifier.store.base import Reading, Writing
from verifier.store.codec import instant, instant_or_none, micros, micros_or_none
from verifier.store.rows import OutboxCount, Outgoing, OutgoingRow
from verifier.store.sql import Statement

CLOCKS_DIFFER = timedelta(minutes=1)  # those of several nodes; by more, one was set

_out = schema.outgoing
_row = select(
    _out.c.id, _out.c.destination, _out.c.case_id, _out.c.control_id, _out.c.payload,
    _out.c.created, _out.c.status, _out.c.attempts, _out.c.not_before, _out.c.finished,
    _out.c.answer,
)  # fmt: skip
_of_destination = _out.c.destination == bindparam("destination")
_this = _out.c.id == bindparam("outgoing")
_still_waiting = text("status = 'waiting'")

_INSERT = Statement(insert(_out))
_before = _out.alias("before")
_kept = and_(
    _out.c.attempts == 0,
    _out.c.not_before > bindparam("now"),
    _out.c.created < bindparam("soon"),
)
_behind = exists().where(  # of the same case, a message that may still be taken back
    _before.c.case_id == _out.c.case_id,
    _before.c.id < _out.c.id,
    _before.c.destination == _out.c.destination,
    _before.c.status == "waiting",
    _before.c.attempts == 0,
    _before.c.not_before > bindparam("now"),
    _before.c.created < bindparam("soon"),
)
_NEXT = Statement(
    _row.where(
        _of_destination,
        text("outgoing.status = 'waiting'"),
        or_(~_kept, _out.c.not_before.is_(None)),
        ~_behind,
    )
    .order_by(_out.c.id)
    .limit(1)
)
_ONE = Statement(_row.where(_this))
_OF_CASE = Statement(_row.where(_out.c.case_id == bindparam("case")).order_by(_out.c.id))
_LIST = Statement(
    _row.where(_of_destination, _still_waiting).order_by(_out.c.id).limit(bindparam("most"))
)
_REJECTED = Statement(
    _row.where(text("status = 'rejected'")).order_by(_out.c.id.desc()).limit(bindparam("most"))
)
_COUNTS = {
    status: Statement(
        select(_out.c.destination, func.count(), func.min(_out.c.created))
        .where(text(f"status = '{status}'"))
        .group_by(_out.c.destination)
    )
    for status in ("waiting", "rejected")
}
_FINISH = Statement(
    update(_out)
    .where(_this, _still_waiting)
    .values(
        status=bindparam("new_status"),
        finished=bindparam("new_finished"),
        answer=bindparam("new_answer"),
        attempts=_out.c.attempts + 1,
    )
)
_POSTPONE = Statement(
    update(_out)
    .where(_this, _still_waiting)
    .values(
        not_before=bindparam("until"),
        answer=bindparam("new_answer"),
        attempts=_out.c.attempts + 1,
    )
)
_RETRY = Statement(
    update(_out)
    .where(_this, text("status = 'rejected'"))
    .values(status="waiting", not_before=None, finished=None)
)
_TAKE_BACK = Statement(
    update(_out)
    .where(_this, _still_waiting, _out.c.attempts == 0, _out.c.not_before > bindparam("now"))
    .values(status="taken back", finished=bindparam("now"))
)
_LET_GO = Statement(update(_out).where(_this, _still_waiting).values(not_before=None))
_SETTLE = Statement(
    update(_out).where(_this, text("status = 'rejected'")).values(status="abandoned")
)


def _outgoing(row: Any) -> OutgoingRow:
    number, destination, case_id, control_id, payload, created, status, attempts, *rest = row
    not_before, finished, answer = rest
    return OutgoingRow(
        number, destination, case_id, control_id, payload, instant(created), status, attempts,
        instant_or_none(not_before), instant_or_none(finished), answer,
    )  # fmt: skip


class OutboxReads(Reading):
    """What can be asked about outgoing messages."""

    def next_outgoing(self, destination: str, now: datetime) -> OutgoingRow | None:
        """Return the oldest waiting message of a destination, even before its `not_before`.

        Nothing behind it may be sent first: the caller waits until `not_before`. Left out is what a
        person may still take back, with all that follows for the same case; but what seems to have
        been made later than `now` does not wait until a clock that was set back has caught up.
        """
        soon = micros(now + CLOCKS_DIFFER)
        row = self._one(_NEXT, destination=destination, now=micros(now), soon=soon)
        return None if row is None else _outgoing(row)

    def outgoing(self, outgoing_id: int) -> OutgoingRow | None:
        """Return one outgoing message."""
        row = self._one(_ONE, outgoing=outgoing_id)
        return None if row is None else _outgoing(row)

    def outgoing_of_case(self, case_id: int) -> list[OutgoingRow]:
        """Return everything ever sent or to be sent for a case, in order."""
        return [_outgoing(row) for row in self._all(_OF_CASE, case=case_id)]

    def outbox(self, destination: str, most: int = 200) -> list[OutgoingRow]:
        """Return what waits for a destination, in sending order."""
        rows = self._all(_LIST, destination=destination, most=most)
        return [_outgoing(row) for row in rows]

    def rejected_outgoing(self, most: int = 200) -> list[OutgoingRow]:
        """Return what destinations refused and nobody settled, newest first."""
        return [_outgoing(row) for row in self._all(_REJECTED, most=most)]

    def outbox_counts(self) -> dict[str, OutboxCount]:
        """Return the counts of every destination that has something waiting or rejected."""
        waiting = {name: rest for name, *rest in self._all(_COUNTS["waiting"])}
        rejected = {name: count for name, count, _ in self._all(_COUNTS["rejected"])}
        counts = {}
        for name in sorted(waiting.keys() | rejected.keys()):
            depth, oldest = waiting.get(name, (0, None))
            counts[name] = OutboxCount(depth, rejected.get(name, 0), instant_or_none(oldest))
        return counts


class OutboxWrites(OutboxReads, Writing):
    """What the line adds and the forwarder settles."""

    def add_outbox(self, outgoing: Outgoing) -> None:
        """Add a message to send; its case must be saved before."""
        self._insert(
            _INSERT, outgoing.id, outgoing.destination, outgoing.case_id, outgoing.control_id,
            micros(outgoing.created), "waiting", 0, micros_or_none(outgoing.not_before), None, "",
            outgoing.payload,
        )  # fmt: skip
        self._touch("outbox")

    def mark_sent(self, outgoing_id: int, answer: str = "") -> bool:
        """Record that the destination took it; False when it was not waiting."""
        return self._finish(outgoing_id, "sent", answer)

    def mark_rejected(self, outgoing_id: int, answer: str) -> bool:
        """Record that the destination refused it, and why; False when it was not waiting."""
        return self._finish(outgoing_id, "rejected", answer)

    def postpone(self, outgoing_id: int, until: datetime, why: str) -> bool:
        """Record a failed attempt: try again not before `until`. False when it was not waiting."""
        self._touch("outbox")
        done = self._run(_POSTPONE, outgoing=outgoing_id, until=micros(until), new_answer=why)
        return done == 1

    def retry(self, outgoing_id: int) -> bool:
        """Put a refused message back in its old place of the order; False when not refused."""
        self._touch("outbox")
        return self._run(_RETRY, outgoing=outgoing_id) == 1

    def abandon(self, outgoing_id: int) -> bool:
        """Take a refused message off the list: a person dealt with it. False when not refused."""
        self._touch("outbox")
        return self._run(_SETTLE, outgoing=outgoing_id) == 1

    def take_back(self, outgoing_id: int) -> bool:
        """Keep a message from being sent; False when it may have left already."""
        self._touch("outbox")
        return self._run(_TAKE_BACK, outgoing=outgoing_id, now=micros(self.now())) == 1

    def let_go(self, outgoing_id: int) -> bool:
        """Decide that a message leaves now; False when it was taken back before that."""
        return self._run(_LET_GO, outgoing=outgoing_id) == 1

    def _finish(self, outgoing_id: int, status: str, answer: str) -> bool:
        self._touch("outbox")
        done = self._run(
            _FINISH, outgoing=outgoing_id, new_status=status,
            new_finished=micros(self.now()), new_answer=answer,
        )  # fmt: skip
        return done == 1

"""Messages as received, and what a person should look at among them."""

from datetime import datetime

from sqlalchemy import bindparam, func, insert, select, text, update

from verifier.store import schema
from verifier.store.base import Reading, Writing
from verifier.store.codec import instant, micros
from verifier.store.rows import Inbound, Problem, Receipt
from verifier.store.sql import Statement

_message = schema.message

_INSERT = Statement(insert(_message))
_RECEIPTS = Statement(
    select(_message.c.id, _message.c.body_hash, _message.c.ack, _message.c.received)
    .add_columns(_message.c.outcome)
    .where(
        _message.c.control_id == bindparam("control_id"),
        _message.c.application == bindparam("application"),
        _message.c.facility == bindparam("facility"),
    )
    .order_by(_message.c.id.desc())
)
_MESSAGE = Statement(
    select(*(column for column in _message.c if column.name != "problem")).where(
        _message.c.id == bindparam("message")
    )
)
_PROBLEMS = Statement(
    select(
        *(_message.c[name] for name in ("id", "received", "connection", "control_id", "type")),
        *(_message.c[name] for name in ("outcome", "error", "note")),
    )
    .where(text("problem"))
    .order_by(_message.c.id.desc())
    .limit(bindparam("most"))
)
_PROBLEM_COUNT = Statement(select(func.count()).select_from(_message).where(text("problem")))
_SETTLE = Statement(
    update(_message)
    .where(_message.c.id == bindparam("message"), text("problem"))
    .values(problem=False)
)
_LAST = Statement(
    select(func.max(_message.c.received)).where(_message.c.connection == bindparam("connection"))
)
_NEXT_CONNECTION = Statement(
    select(func.min(_message.c.connection)).where(_message.c.connection > bindparam("after"))
)
_NEWEST_IDS = [
    Statement(select(func.max(table.c.id))) for table in (schema.message, schema.outgoing)
]


class InboxReads(Reading):
    """What can be asked about messages."""

    def receipts(self, application: str, facility: str, control_id: str) -> list[Receipt]:
        """Return every message this sender sent under this control id, newest first."""
        if not control_id:
            return []
        rows = self._all(
            _RECEIPTS, application=application, facility=facility, control_id=control_id
        )
        return [
            Receipt(number, digest, ack, instant(received), outcome)
            for number, digest, ack, received, outcome in rows
        ]

    def message(self, message_id: int) -> Inbound | None:
        """Return a message as received, with its bytes."""
        row = self._one(_MESSAGE, message=message_id)
        if row is None:
            return None
        number, received, connection, application, facility, control_id, digest, *rest = row
        kind, outcome, ack, error, note, raw = rest
        return Inbound(
            number, instant(received), connection, application, facility, control_id, digest,
            kind, raw, outcome, ack, error, note,
        )  # fmt: skip

    def raw(self, message_id: int) -> bytes:
        """Return the bytes of a message. Raises KeyError when there is none."""
        found = self.message(message_id)
        if found is None:
            raise KeyError(message_id)
        return found.raw

    def problems(self, most: int = 200) -> list[Problem]:
        """Return the messages nobody has settled yet, newest first."""
        return [
            Problem(number, instant(received), *rest)
            for number, received, *rest in self._all(_PROBLEMS, most=most)
        ]

    def problem_count(self) -> int:
        """Return how many messages nobody has settled yet."""
        return int(self._one(_PROBLEM_COUNT)[0])

    def newest_id(self) -> int:
        """Return the largest id of all messages, in or out; 0 when there is none."""
        return max(self._one(statement)[0] or 0 for statement in _NEWEST_IDS)

    def last_messages(self) -> dict[str, datetime]:
        """Return when each connection that ever sent something last did."""
        found: dict[str, datetime] = {}
        name = ""
        while name := self._one(_NEXT_CONNECTION, after=name)[0]:
            found[name] = instant(self._one(_LAST, connection=name)[0])
        return found


class InboxWrites(InboxReads, Writing):
    """What the line writes about messages."""

    def add_message(self, inbound: Inbound) -> None:
        """Keep a message for ever; an error or a note makes it a problem to settle."""
        problem = bool(
            inbound.error or inbound.note or inbound.outcome in ("rejected", "unreadable")
        )
        self._insert(
            _INSERT, inbound.id, micros(inbound.received), inbound.connection,
            inbound.application, inbound.facility, inbound.control_id, inbound.body_hash,
            inbound.type, inbound.outcome, inbound.ack, inbound.error, inbound.note, problem,
            inbound.raw,
        )  # fmt: skip
        self._touch("messages")
        self.count("messages", inbound.connection, inbound.outcome)
        if problem:
            self._touch("problems")

    def settle_problem(self, message_id: int) -> bool:
        """Take a message off the list of problems; False when it was not on it."""
        settled = self._run(_SETTLE, message=message_id) == 1
        if settled:
            self._touch("problems")
        return settled

"""Removing patient data after its time, so that the audit log still verifies.

A case goes as a whole: record, results, decisions with their facts and what a shadow said of them,
outgoing messages, reviews, acts, requests, calls; with the last case of a patient go the words they
are found by. Of a message the bytes go, of an audit entry the details: what is hashed holds a
salted hash of them only. What is left says that something was received, decided, seen and sent,
when and by whom, and no longer about whom.
"""

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime

from msgspec import Struct
from sqlalchemy import bindparam, delete, exists, or_, select, update

from verifier.store import actschema, qualityschema, schema, shadowschema, worklistschema
from verifier.store.base import Reading, Writing
from verifier.store.codec import micros
from verifier.store.ids import id_at
from verifier.store.sql import Statement
from verifier.store.words import WordWrites

_case, _message, _audit = schema.specimen_case, schema.message, schema.audit

# Every table whose rows belong to a case, and the one whose rows belong to a decision.
OF_DECISION = shadowschema.shadow_difference
OF_CASE = (
    schema.decision, schema.outgoing, schema.result, qualityschema.quality_review,
    actschema.call_attempt, actschema.critical_call, actschema.work_request, actschema.act,
    worklistschema.case_claim, worklistschema.case_presence,
)  # fmt: skip

_OLD_CASES = Statement(
    select(_case.c.id)
    .where(
        _case.c.id > bindparam("after"),
        _case.c.id < bindparam("bound"),
        _case.c.updated < bindparam("moment"),
        _case.c.held == 0,
        _case.c.waiting == 0,
        ~exists().where(
            schema.outgoing.c.case_id == _case.c.id, schema.outgoing.c.status == "waiting"
        ),
        *(
            ~exists().where(table.c.case_id == _case.c.id, table.c.state == "open")
            for table in (actschema.critical_call, actschema.work_request)
        ),
    )
    .order_by(_case.c.id)
    .limit(bindparam("most"))
)
_DELETE = [
    Statement(
        delete(OF_DECISION).where(
            OF_DECISION.c.decision.in_(
                select(schema.decision.c.id).where(schema.decision.c.case_id == bindparam("case"))
            )
        )
    ),
    *(Statement(delete(table).where(table.c.case_id == bindparam("case"))) for table in OF_CASE),
]
_WHOSE = Statement(select(_case.c.patient).where(_case.c.id == bindparam("case")))
_DELETE_CASE = Statement(delete(_case).where(_case.c.id == bindparam("case")))
_FORGET_MERGES = Statement(
    delete(schema.patient_merge).where(
        schema.patient_merge.c.id < bindparam("bound"),
        ~exists().where(_case.c.patient == schema.patient_merge.c.leads_to),
    )
)
_OLD_MESSAGES = Statement(
    select(_message.c.id)
    .where(
        _message.c.id > bindparam("after"),
        _message.c.id < bindparam("bound"),
        or_(_message.c.raw != b"", _message.c.ack.is_not(None)),
        _message.c.problem.is_(False),
    )
    .order_by(_message.c.id)
    .limit(bindparam("most"))
)
_EMPTY_MESSAGE = Statement(
    update(_message).where(_message.c.id == bindparam("message")).values(raw=b"", ack=None)
)
_LOGS = Statement(select(schema.audit_head.c.writer, schema.audit_head.c.size))
_ENTRY = Statement(
    select(_audit.c.at, _audit.c.detail.is_not(None)).where(
        _audit.c.writer == bindparam("log"), _audit.c.seq == bindparam("place")
    )
)
_CLEAR_DETAILS = Statement(
    update(_audit)
    .where(
        _audit.c.writer == bindparam("log"),
        _audit.c.seq >= bindparam("start"),
        _audit.c.seq < bindparam("stop"),
    )
    .values(detail=None, salt=b"")  # with the salt somebody could try who it was
)


Reached = Callable[[int, bool], bool]  # the instant of an entry, and whether it has details


class Removed(Struct, frozen=True):
    """How much was removed, or would be."""

    cases: int = 0
    messages: int = 0
    details: int = 0

    def __add__(self, other: "Removed") -> "Removed":
        return Removed(
            self.cases + other.cases, self.messages + other.messages, self.details + other.details
        )

    def __bool__(self) -> bool:
        return self != Removed()


class RetentionReads(Reading):
    """What is older than an instant."""

    def old_cases(self, before: datetime, most: int, after: int = 0) -> list[int]:
        """Return cases untouched since `before` in which nothing is held, waits or has to leave."""
        found = self._all(
            _OLD_CASES, after=after, bound=id_at(before), moment=micros(before), most=most
        )
        return [case for (case,) in found]

    def old_messages(self, before: datetime, most: int, after: int = 0) -> list[int]:
        """Return messages received before an instant whose bytes are still there.

        Those somebody still has to look at stay.
        """
        found = self._all(_OLD_MESSAGES, after=after, bound=id_at(before), most=most)
        return [message for (message,) in found]

    def old_details(self, before: datetime) -> list[tuple[str, int, int]]:
        """Return per audit log the numbers (log, from, to) of old entries that have details."""
        spans = []
        for log, size in self._all(_LOGS):
            start = self._first(log, size, lambda at, kept: kept)
            stop = self._first(log, size, lambda at, kept: at >= micros(before))
            if start < stop:
                spans.append((log, start, stop))
        return spans

    def _first(self, log: str, size: int, reached: Reached) -> int:
        """Return the first entry of a log from which on `reached` is true, by halving.

        Entries are made in the order of time, and details are removed from the oldest on.
        """
        low, high = 0, size
        while low < high:
            middle = (low + high) // 2
            row = self._one(_ENTRY, log=log, place=middle)
            if row is not None and reached(row[0], bool(row[1])):
                high = middle
            else:
                low = middle + 1
        return low


class RetentionWrites(RetentionReads, WordWrites, Writing):
    """Removes what is given; whoever calls says so in the audit log."""

    def remove_cases(self, cases: Iterable[int]) -> int:
        """Remove cases with everything that belongs to them."""
        count = 0
        with self._overwriting():
            for case in cases:
                whose = self._one(_WHOSE, case=case)
                for statement in _DELETE:
                    self._run(statement, case=case)
                count += self._run(_DELETE_CASE, case=case)
                if whose:
                    self.forget_words(whose[0])
        return count

    def forget_merges(self, before: datetime) -> None:
        """Remove merges of patient numbers from before that no case is left of."""
        with self._overwriting():
            self._run(_FORGET_MERGES, bound=id_at(before))

    def empty_messages(self, messages: Iterable[int]) -> int:
        """Remove the bytes of messages and of the answers to them."""
        with self._overwriting():
            return sum(self._run(_EMPTY_MESSAGE, message=message) for message in messages)

    def clear_details(self, log: str, start: int, stop: int) -> int:
        """Remove the details of the entries `start` up to, not including, `stop` of a log."""
        with self._overwriting():
            return self._run(_CLEAR_DETAILS, log=log, start=start, stop=stop)

    @contextmanager
    def _overwriting(self) -> Iterator[None]:
        """Let SQLite write zeros over what is removed; else it stays in the file until reused."""
        embedded = self._dialect.name == "sqlite"
        if embedded:
            self._cursor.execute("PRAGMA secure_delete=ON")
        try:
            yield
        finally:
            if embedded:
                self._cursor.execute("PRAGMA secure_delete=OFF")

"""Finding specimens by patient, specimen, test, date and what became of the results.

Every question is answered along an index: people by the beginning of a word, specimens by the
beginning of their number, everything else along the time at which the first result arrived.
"""

from collections.abc import Sequence
from datetime import datetime
from functools import cache
from typing import Any, Literal

from msgspec import Struct
from sqlalchemy import ColumnElement, and_, bindparam, exists, literal_column, select, tuple_

from verifier.facts.case import CaseRecord
from verifier.facts.values import Value
from verifier.store import codec, schema
from verifier.store.base import Reading
from verifier.store.codec import instant, instant_or_none, micros
from verifier.store.sql import Statement

Became = Literal["", "held", "waiting", "released by rules", "released by a person", "rejected"]
MOST_WORDS = 4
_LAST = "\U0010ffff"  # sorts behind every other character
_BEGINNING, _END = -(1 << 63), (1 << 63) - 1

_case, _result, _word = schema.specimen_case, schema.result, schema.patient_word
_STATES: dict[str, tuple[ColumnElement[bool], ...]] = {
    "": (),
    "held": (
        _result.c.state == literal_column("'open'"),
        _result.c.outcome == literal_column("'hold'"),
    ),
    "waiting": (
        _result.c.state == literal_column("'open'"),
        _result.c.outcome == literal_column("'wait'"),
    ),
    "released by rules": (
        _result.c.state == literal_column("'released'"),
        _result.c.by_rules.is_(True),
    ),
    "released by a person": (
        _result.c.state == literal_column("'released'"),
        _result.c.by_rules.is_(False),
    ),
    "rejected": (_result.c.state == literal_column("'rejected'"),),
}
BECAME: tuple[str, ...] = tuple(_STATES)

_ROW = Statement(
    select(
        _case.c.id, _case.c.opened, _case.c.severity, _case.c.held, _case.c.waiting,
        _case.c.released, _case.c.record,
    ).where(_case.c.id == bindparam("case"))
)  # fmt: skip
_result_columns = (
    _result.c.case_id, _result.c.entry, _result.c.test, _result.c.code, _result.c.value,
    _result.c.unit, _result.c.state, _result.c.outcome, _result.c.by_rules, _result.c.settled,
    _result.c.collected, _result.c.specimen, _result.c.specimen_type, _result.c.analyzer,
)  # fmt: skip
_RESULTS = Statement(
    select(*_result_columns).where(_result.c.case_id == bindparam("case")).order_by(_result.c.entry)
)
_PAST = Statement(
    select(*_result_columns)
    .where(
        _result.c.patient == bindparam("patient"),
        _result.c.collected >= bindparam("since"),
        _result.c.state == literal_column("'released'"),
    )
    .order_by(_result.c.collected.desc(), _result.c.case_id.desc())
)
_NEAR = Statement(
    select(_result.c.case_id)
    .distinct()
    .where(
        _result.c.patient == bindparam("patient"),
        _result.c.collected >= bindparam("since"),
        _result.c.collected <= bindparam("until"),
    )
)


class Question(Struct, frozen=True):
    """What is looked for; everything given must fit.

    `words` are beginnings of names or numbers (`words.folded`), `specimen` the beginning of a
    specimen's number, `since` and `until` (exclusive) bound when the first result arrived. `after`
    is the place (`Found.place`) behind which the next page begins.
    """

    words: tuple[str, ...] = ()
    specimen: str = ""
    test: str = ""
    became: Became = ""
    since: datetime | None = None
    until: datetime | None = None
    after: tuple[int, int] | None = None


class FoundResult(Struct, frozen=True):
    """One result as stored, in the unit of its test. `analyzer` is None where it is not known."""

    case_id: int
    entry: int
    test: str
    code: str
    value: Value
    unit: str
    state: str
    outcome: str
    by_rules: bool
    settled: datetime | None
    collected: datetime | None
    specimen: str
    specimen_type: str
    analyzer: str | None

    @property
    def became(self) -> str:
        """What became of it, in the words of `BECAME`."""
        if self.state == "open":
            return "waiting" if self.outcome == "wait" else "held"
        if self.state == "released":
            return "released by rules" if self.by_rules else "released by a person"
        return self.state


class Found(Struct, frozen=True):
    """One specimen, with those of its results that were asked for."""

    case_id: int
    opened: datetime
    severity: int
    held: int
    waiting: int
    released: int
    record: CaseRecord
    results: tuple[FoundResult, ...]

    @property
    def place(self) -> tuple[int, int]:
        """Where it stands in the order of a search."""
        return micros(self.opened), self.case_id


class SearchReads(Reading):
    """What people look for."""

    def search(self, asked: Question, *, most: int = 50) -> list[Found]:
        """Return the specimens that fit, newest first.

        Raises:
            ValueError: more than `MOST_WORDS` words.
        """
        if len(asked.words) > MOST_WORDS:
            raise ValueError(f"at most {MOST_WORDS} words of a name")
        opened, number = asked.after or (_END, _END)
        bounds = {f"from{at}": word for at, word in enumerate(asked.words)}
        bounds |= {f"to{at}": word + _LAST for at, word in enumerate(asked.words)}
        rows = self._all(
            statement(len(asked.words), bool(asked.specimen), bool(asked.test), asked.became),
            **bounds, key=asked.specimen, key_end=asked.specimen + _LAST, test=asked.test,
            since=_BEGINNING if asked.since is None else micros(asked.since),
            until=_END if asked.until is None else micros(asked.until),
            opened=opened, number=number, most=most,
        )  # fmt: skip
        return self._found([case for case, _ in rows], asked)

    def nearby(self, patient_key: str, since: datetime, until: datetime) -> list[Found]:
        """Return the specimens of a patient collected from `since` to `until`, oldest first."""
        if not patient_key:
            return []
        rows = self._all(_NEAR, patient=patient_key, since=micros(since), until=micros(until))
        return sorted(self._found([case for (case,) in rows], Question()), key=_collected)

    def past_results(self, patient_key: str, since: datetime) -> dict[str, list[FoundResult]]:
        """Return the released results of a patient by test, newest first."""
        found: dict[str, list[FoundResult]] = {}
        if patient_key:
            for row in self._all(_PAST, patient=patient_key, since=micros(since)):
                result = _found_result(row)
                found.setdefault(result.test, []).append(result)
        return found

    def _found(self, cases: Sequence[int], asked: Question) -> list[Found]:
        found = []
        for case in cases:
            number, opened, severity, held, waiting, released, record = self._one(_ROW, case=case)
            results = tuple(_found_result(row) for row in self._all(_RESULTS, case=case))
            wanted = tuple(one for one in results if _wanted(one, asked))
            found.append(
                Found(
                    number, instant(opened), severity, held, waiting, released,
                    codec.read_record(record), wanted,
                )
            )  # fmt: skip
        return found


def _collected(found: Found) -> tuple[datetime, int]:
    collected = found.record.specimen.collected
    return (collected.at if collected else found.opened), found.case_id


def _wanted(result: FoundResult, asked: Question) -> bool:
    fits = not asked.became or result.became == asked.became
    return fits and asked.test in ("", result.test)


def _found_result(row: Any) -> FoundResult:
    case, entry, test, code, value, unit, state, outcome, by_rules, settled, *rest = row
    collected, specimen, kind, analyzer = rest
    return FoundResult(
        case, entry, test, code, codec.read_value(value), unit, state, outcome, bool(by_rules),
        instant_or_none(settled), instant_or_none(collected), specimen, kind, analyzer,
    )  # fmt: skip


@cache
def statement(words: int, specimen: bool, test: bool, became: str) -> Statement:
    """Return the statement for a question of this shape; its rows are (case, opened)."""
    # An index over time alone would answer any question by looking at everything. Where people or
    # specimens are asked for, a sum keeps the database from choosing it.
    narrow = words or specimen
    opened: ColumnElement[int] = _case.c.opened + 0 if narrow else _case.c.opened
    chosen = select(_case.c.id, _case.c.opened).where(
        opened >= bindparam("since"),
        opened < bindparam("until"),
        tuple_(opened, _case.c.id) < tuple_(bindparam("opened"), bindparam("number")),
        *(_case.c.patient.in_(_called(at)) for at in range(words)),
    )
    if specimen:
        chosen = chosen.where(
            _case.c.specimen >= bindparam("key"), _case.c.specimen < bindparam("key_end")
        )
    if test or became:
        of_test = (_result.c.test == bindparam("test"),) if test else ()
        chosen = chosen.where(
            exists().where(and_(_result.c.case_id == _case.c.id, *of_test, *_STATES[became]))
        )
    return Statement(chosen.order_by(opened.desc(), _case.c.id.desc()).limit(bindparam("most")))


def _called(at: int) -> Any:
    return select(_word.c.patient).where(
        _word.c.word >= bindparam(f"from{at}"), _word.c.word < bindparam(f"to{at}")
    )

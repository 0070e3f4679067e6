"""The work list: filters over the whole open queue, claims, and who has what open.

Filters are one condition with a switch for each of its parts, so that every statement is fixed.
"""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from msgspec.structs import replace
from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Text,
    and_,
    bindparam,
    case,
    delete,
    exists,
    func,
    insert,
    literal_column,
    or_,
    select,
    text,
    update,
)

from verifier.facts.priorities import PRIORITIES
from verifier.store import schema, worklistschema
from verifier.store.base import Reading, Writing
from verifier.store.codec import instant, micros
from verifier.store.severity import CRITICAL
from verifier.store.sql import Statement
from verifier.store.worklistrows import CaseClaim, Held, View, Wanted

_case, _result = schema.specimen_case, schema.result
_claim, _presence = worklistschema.case_claim, worklistschema.case_presence

IS_HELD = text("held > 0")
_END = (1 << 63) - 1


def _given(name: str) -> ColumnElement[str]:
    return bindparam(name, type_=Text)


def _number(name: str) -> ColumnElement[int]:
    return bindparam(name, type_=BigInteger)


def _slot(priority: str) -> str:
    return "target_" + priority.lower().replace(" ", "_")


_target = case(
    *(
        (_case.c.priority == literal_column(f"'{word}'"), _number(_slot(word)))
        for word in PRIORITIES
    ),
    else_=_number("target_usual"),
)
DUE = _case.c.opened + _target
_SOON = DUE - _target / literal_column("4", BigInteger)  # the last quarter begins
_now = _number("now")


def _is(column: ColumnElement[str], name: str) -> ColumnElement[bool]:
    return or_(_given(name) == "", column == _given(name))


_of_result = and_(
    _result.c.state == literal_column("'open'"),
    _result.c.outcome == literal_column("'hold'"),
    *(_is(_result.c[name], name) for name in ("reason", "test", "analyzer")),
)
_claimed = (
    exists()
    .where(
        _claim.c.case_id == _case.c.id,
        _claim.c.active >= _number("claims_since"),
        or_(_given("taken") != "me", _claim.c.person == _given("me")),
        or_(_given("taken") != "others", _claim.c.person != _given("me")),
    )
    .correlate(_case)
)
WANTED: tuple[ColumnElement[bool], ...] = (
    IS_HELD,  # type: ignore[assignment]
    _is(_case.c.ward, "ward"),
    _is(_case.c.priority, "priority"),
    _case.c.opened <= _number("opened_before"),
    or_(_given("taken") == "", and_(_given("taken") == "nobody", ~_claimed),
        and_(or_(_given("taken") == "me", _given("taken") == "others"), _claimed)),
    or_(_given("due") == "", and_(_given("due") == "soon", _now >= _SOON, _now < DUE),
        and_(_given("due") == "missed", _now >= DUE)),
    or_(
        and_(_given("reason") == "", _given("test") == "", _given("analyzer") == ""),
        exists().where(_result.c.case_id == _case.c.id, _of_result).correlate(_case),
    ),
)  # fmt: skip
ORDERS = {
    "worst": (_case.c.severity.desc(), _case.c.opened, _case.c.id),
    "time": (DUE, _case.c.severity.desc(), _case.c.id),
}

_light = select(_case.c.id, _case.c.version).where(*WANTED)
_LISTED = {
    name: Statement(_light.order_by(*by).limit(bindparam("most")).offset(bindparam("skip")))
    for name, by in ORDERS.items()
}
_COUNT = Statement(select(func.count()).select_from(_case).where(*WANTED))
_HELD = Statement(
    select(
        func.count(),
        func.sum(case((_case.c.severity == CRITICAL, 1), else_=0)),
        func.sum(case((and_(_now >= _SOON, _now < DUE), 1), else_=0)),
        func.sum(case((_now >= DUE, 1), else_=0)),
    )
    .select_from(_case)
    .where(IS_HELD)
)
_of_cases = {name: _case.c[name] for name in ("ward", "priority")}
_of_results = {name: _result.c[name] for name in ("reason", "test", "analyzer")}
_COUNTS = {
    name: Statement(select(column, func.count()).select_from(_case).where(*WANTED).group_by(column))
    for name, column in _of_cases.items()
} | {
    name: Statement(
        select(column, func.count(_result.c.case_id.distinct()))
        .where(_result.c.case_id.in_(select(_case.c.id).where(*WANTED)), _of_result)
        .group_by(column)
    )
    for name, column in _of_results.items()
}

_CLAIMS = Statement(select(_claim).where(_claim.c.active >= _number("since")))
_CLAIM = Statement(
    select(_claim).where(_claim.c.case_id == bindparam("case"), _claim.c.active >= _number("since"))
)
_INSERT_CLAIM = Statement(insert(_claim))
_DROP_CLAIM = Statement(delete(_claim).where(_claim.c.case_id == bindparam("case")))
_FORGET_CLAIMS = Statement(delete(_claim).where(_claim.c.active < bindparam("bound")))
_ACTIVE = Statement(
    update(_claim)
    .where(
        _claim.c.case_id == bindparam("case"),
        _claim.c.person == bindparam("who"),
        _claim.c.active >= bindparam("since"),
    )
    .values(active=bindparam("at"))
)
_PRESENT = Statement(
    select(_presence.c.case_id, _presence.c.person, _presence.c.seen).where(
        _presence.c.seen >= _number("since")
    )
)
_SEEN = Statement(
    update(_presence)
    .where(_presence.c.case_id == bindparam("case"), _presence.c.person == bindparam("who"))
    .values(seen=bindparam("at"))
)
_INSERT_SEEN = Statement(insert(_presence))
_LEAVE = Statement(
    delete(_presence).where(
        _presence.c.case_id == bindparam("case"), _presence.c.person == bindparam("who")
    )
)
_FORGET = Statement(delete(_presence).where(_presence.c.seen < bindparam("bound")))


def asked(wanted: Wanted, view: View) -> dict[str, Any]:
    """Return the values of every switch of `WANTED`."""
    targets = view.targets
    before = wanted.opened_before
    return {
        "reason": wanted.reason, "test": wanted.test, "analyzer": wanted.analyzer,
        "ward": wanted.ward, "priority": wanted.priority, "taken": wanted.taken,
        "due": wanted.due, "me": view.person, "now": micros(view.now),
        "opened_before": _END if before is None else micros(before),
        "claims_since": micros(view.claims_since), "target_usual": _micros(targets.usual),
        **{_slot(word): _micros(targets.of.get(word, targets.usual)) for word in PRIORITIES},
    }  # fmt: skip


def _micros(span: timedelta) -> int:
    return span // timedelta(microseconds=1)


class WorklistReads(Reading):
    """What can be asked about the open queue beside its rows."""

    def listed(self, wanted: Wanted, view: View, most: int, skip: int = 0) -> list[tuple[int, int]]:
        """Return case and version of the wanted specimens, in the order asked for."""
        values = asked(wanted, view)
        found = self._all(_LISTED[wanted.order], **values, most=most, skip=skip)
        return [(case_id, version) for case_id, version in found]

    def listed_count(self, wanted: Wanted, view: View) -> int:
        """Return how many specimens are wanted, on all pages."""
        return int(self._one(_COUNT, **asked(wanted, view))[0])

    def choices(self, wanted: Wanted, view: View) -> dict[str, dict[str, int]]:
        """Return, for each filter, its values with the specimens each would show.

        The other filters stand; those without a value are left out.
        """
        found = {}
        for name, statement in _COUNTS.items():
            values = asked(replace(wanted, **{name: ""}), view)
            rows = self._all(statement, **values)
            found[name] = {value: count for value, count in sorted(rows, key=_by_name) if value}
        return found

    def held(self, view: View) -> Held:
        """Return how much is held and how much of it is late."""
        row = self._one(_HELD, **asked(Wanted(), view))
        return Held(*(int(number or 0) for number in row))

    def claims(self, since: datetime) -> dict[int, CaseClaim]:
        """Return the claims with something done since an instant, by case."""
        return {row[0]: _read_claim(row) for row in self._all(_CLAIMS, since=micros(since))}

    def claim_of(self, case_id: int, since: datetime) -> CaseClaim | None:
        """Return the claim on a case, None when nobody has it or nothing was done since."""
        row = self._one(_CLAIM, case=case_id, since=micros(since))
        return None if row is None else _read_claim(row)

    def present(self, since: datetime) -> dict[int, list[str]]:
        """Return who has which case open, by case, as heard since an instant."""
        found: dict[int, list[str]] = {}
        for case_id, person, _ in sorted(self._all(_PRESENT, since=micros(since))):
            found.setdefault(case_id, []).append(person)
        return found


class WorklistWrites(WorklistReads, Writing):
    """Claims and presence; whoever calls puts a claim on record."""

    def set_claim(self, case_id: int, person: str, view: View) -> None:
        """Give a case to a person, whoever had it before; forget the claims that have ended."""
        self._run(_DROP_CLAIM, case=case_id)
        self._run(_FORGET_CLAIMS, bound=micros(view.claims_since))
        self._insert(_INSERT_CLAIM, case_id, person, micros(view.now), micros(view.now))
        self._touch("cases")

    def end_claim(self, case_id: int) -> None:
        """Nobody has the case any more."""
        if self._run(_DROP_CLAIM, case=case_id):
            self._touch("cases")

    def keep_claim(self, case_id: int, person: str, view: View) -> None:
        """Note that a person did something with a case, if it is still theirs."""
        since = micros(view.claims_since)
        self._run(_ACTIVE, case=case_id, who=person, at=micros(view.now), since=since)

    def see(self, case_id: int, person: str, now: datetime, forget: datetime) -> None:
        """Note that a person has a case open; forget who was heard of before `forget` only."""
        if self._run(_SEEN, case=case_id, who=person, at=micros(now)) == 0:
            self._run(_FORGET, bound=micros(forget))
            self._insert(_INSERT_SEEN, case_id, person, micros(now))
            self._touch("cases")

    def leave(self, cases: Iterable[int], person: str) -> None:
        """Note that a person has closed cases."""
        for case_id in cases:
            if self._run(_LEAVE, case=case_id, who=person):
                self._touch("cases")


def _by_name(row: Any) -> str:
    return str(row[0] or "").casefold()


def _read_claim(row: Any) -> CaseClaim:
    case_id, person, since, active = row
    return CaseClaim(case_id, person, instant(since), instant(active))

"""Control levels and their results, corrective actions, and how tests stand."""

from collections.abc import Callable
from datetime import datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import bindparam, delete, func, insert, select, text, update

from verifier.store import qualityschema, schema
from verifier.store.base import Reading, Writing
from verifier.store.codec import instant, instant_or_none, micros, micros_or_none
from verifier.store.ids import new_id
from verifier.store.qualityrows import (
    Basis,
    ControlLevel,
    ControlResult,
    CorrectiveAction,
    StandingRow,
)
from verifier.store.sql import Statement

_level, _result = qualityschema.control_level, qualityschema.control_result
_action, _standing = qualityschema.corrective_action, qualityschema.quality_standing
_measured = schema.result
_here = (_standing.c.test == bindparam("which"), _standing.c.analyzer == bindparam("where"))
_on_analyzer = (_result.c.test == bindparam("which"), _result.c.analyzer == bindparam("where"))
_known_time = _result.c.at.desc(), _result.c.id.desc()

# One look into the index per analyzer, however many results there are.
_NEXT_ANALYZER = Statement(
    select(func.min(_measured.c.analyzer)).where(
        text("measured IS NOT NULL"), _measured.c.analyzer > bindparam("before")
    )
)
_LEVELS = Statement(select(_level).order_by(_level.c.id))
_ADD_LEVEL = Statement(insert(_level))
_END_LEVEL = Statement(
    update(_level)
    .where(_level.c.id == bindparam("number"), text("ended IS NULL"))
    .values(ended=bindparam("new_ended"))
)
_SET_BASIS = Statement(
    update(_level)
    .where(_level.c.id == bindparam("number"))
    .values(basis=bindparam("new_basis"), own_from=bindparam("new_from"))
)
_ADD_RESULT = Statement(insert(_result))
_NEWEST = Statement(
    select(_result).where(*_on_analyzer).order_by(*_known_time).limit(bindparam("most"))
)
_ONE_RESULT = Statement(select(_result).where(_result.c.id == bindparam("number")))
_SAME = Statement(
    select(_result.c.id).where(
        *_on_analyzer,
        _result.c.at == bindparam("moment"),
        _result.c.specimen == bindparam("tube"),
        _result.c.value == bindparam("number"),
    )
)
_SET_VERDICT = Statement(
    update(_result)
    .where(_result.c.id == bindparam("number"))
    .values(verdict=bindparam("new_verdict"), rules=bindparam("new_rules"))
)
_LEAVE_OUT = Statement(
    update(_result)
    .where(_result.c.id == bindparam("number"), text("left_out IS NULL"))
    .values(
        left_out=bindparam("new_at"), left_out_by=bindparam("new_by"),
        left_out_why=bindparam("new_why"),
    )
)  # fmt: skip
_OF_LEVEL = Statement(
    select(_result)
    .where(_result.c.level_id == bindparam("number"), _result.c.at >= bindparam("since"))
    .order_by(_result.c.at, _result.c.id)
)
_NOT_JUDGED = Statement(
    select(_result)
    .where(text("verdict = 'not judged'"), _result.c.arrived >= bindparam("since"))
    .order_by(_result.c.at.desc())
)
_ACTIONS = Statement(
    select(_action)
    .where(
        _action.c.test == bindparam("which"),
        _action.c.analyzer == bindparam("where"),
        _action.c.at >= bindparam("since"),
    )
    .order_by(_action.c.at)
)
_ADD_ACTION = Statement(insert(_action))
_STANDINGS = Statement(select(_standing).order_by(_standing.c.test, _standing.c.analyzer))
_STANDING = Statement(select(_standing).where(*_here))
_ADD_STANDING = Statement(insert(_standing))
_DROP_STANDING = Statement(delete(_standing).where(*_here))
_COUNT = Statement(update(_standing).where(*_here).values(results=_standing.c.results + 1))


class QualityReads(Reading):
    """What can be asked about controls."""

    def control_levels(self) -> list[ControlLevel]:
        """Return every level ever defined, oldest first."""
        return [_level_of(row) for row in self._all(_LEVELS)]

    def control_results(self, test: str, analyzer: str, most: int) -> list[ControlResult]:
        """Return the newest measurements of a test on an analyzer, oldest first."""
        rows = self._all(_NEWEST, which=test, where=analyzer, most=most)
        return [_result_of(row) for row in reversed(rows)]

    def control_result(self, number: int) -> ControlResult | None:
        """Return one measurement, None if there is none of that number."""
        row = self._one(_ONE_RESULT, number=number)
        return None if row is None else _result_of(row)

    def results_of_level(self, level_id: int, since: datetime) -> list[ControlResult]:
        """Return the measurements of a level, oldest first."""
        rows = self._all(_OF_LEVEL, number=level_id, since=micros(since))
        return [_result_of(row) for row in rows]

    def controls_not_judged(self, since: datetime) -> list[ControlResult]:
        """Return what arrived since an instant and could not be judged, newest first."""
        return [_result_of(row) for row in self._all(_NOT_JUDGED, since=micros(since))]

    def corrective_actions(
        self, test: str, analyzer: str, since: datetime
    ) -> list[CorrectiveAction]:
        """Return what was done about a test on an analyzer, oldest first."""
        rows = self._all(_ACTIONS, which=test, where=analyzer, since=micros(since))
        return [
            CorrectiveAction(number, on, where, instant(at), who, said)
            for number, on, where, at, who, said in rows
        ]

    def standings(self) -> list[StandingRow]:
        """Return how every test with controls stands, by test and analyzer."""
        return [_standing_of(row) for row in self._all(_STANDINGS)]

    def find_standing(self) -> Callable[[str, str], StandingRow | None]:
        """Return how to look up standings by test and analyzer, all as they are now.

        A decision asks for a few of many: only those are made into values.
        """
        rows = {(row[0], row[1]): row for row in self._all(_STANDINGS)}

        def find(test: str, analyzer: str) -> StandingRow | None:
            row = rows.get((test, analyzer))
            return None if row is None else _standing_of(row)

        return find

    def analyzers(self) -> list[str]:
        """Return the names of the analyzers that patients' results or controls came from."""
        found, before = {row.analyzer for row in self.standings()}, ""
        while (name := self._one(_NEXT_ANALYZER, before=before)[0]) is not None:
            found.add(name)
            before = name
        return sorted(found - {""})

    def standing(self, test: str, analyzer: str) -> StandingRow | None:
        """Return how a test stands on an analyzer, None when nothing is known of it there."""
        row = self._one(_STANDING, which=test, where=analyzer)
        return None if row is None else _standing_of(row)

    def has_control_result(self, result: ControlResult) -> bool:
        """Return whether the very same measurement is stored."""
        number = "" if result.value is None else str(result.value)
        found = self._one(
            _SAME, which=result.test, where=result.analyzer, moment=micros(result.at),
            tube=result.specimen, number=number,
        )  # fmt: skip
        return found is not None


class QualityWrites(QualityReads, Writing):
    """What the line and people write about controls."""

    def add_control_level(self, level: ControlLevel) -> None:
        """Define a level."""
        self._insert(
            _ADD_LEVEL, level.id, level.test, level.analyzer, level.material, level.lot,
            level.level, level.mark, level.unit, str(level.mean), str(level.sd),
            micros_or_none(level.expires), level.basis, micros_or_none(level.own_from),
            micros(level.added), micros_or_none(level.ended),
        )  # fmt: skip
        self._touch("quality")

    def end_control_level(self, level_id: int, at: datetime) -> bool:
        """Take a level out of use; False when it was not in use."""
        self._touch("quality")
        return self._run(_END_LEVEL, number=level_id, new_ended=micros(at)) == 1

    def set_control_basis(self, level_id: int, basis: Basis, own_from: datetime | None) -> None:
        """Choose what the results of a level are judged by from now on."""
        self._run(_SET_BASIS, number=level_id, new_basis=basis, new_from=micros_or_none(own_from))
        self._touch("quality")

    def add_control_result(self, result: ControlResult) -> None:
        """Keep a measurement for ever."""
        self._insert(
            _ADD_RESULT, result.id, result.message_id, micros(result.at), micros(result.arrived),
            result.test, result.analyzer, result.level_id, result.specimen, result.lot,
            _text(result.value), result.unit, result.run, _text(result.mean), _text(result.sd),
            result.basis, result.verdict, ",".join(result.rules), result.note, None, None, None,
            result.history,
        )  # fmt: skip
        self._touch("quality")

    def set_control_verdict(self, result: ControlResult) -> None:
        """Keep what was found of a measurement."""
        rules = ",".join(result.rules)
        self._run(_SET_VERDICT, number=result.id, new_verdict=result.verdict, new_rules=rules)

    def leave_out(self, number: int, who: str, why: str, at: datetime) -> bool:
        """Take a measurement out of rules and figures; False when it is out already."""
        self._touch("quality")
        done = self._run(_LEAVE_OUT, number=number, new_at=micros(at), new_by=who, new_why=why)
        return done == 1

    def add_corrective_action(
        self, test: str, analyzer: str, who: str, said: str, at: datetime
    ) -> None:
        """Record what was done."""
        self._insert(_ADD_ACTION, new_id(), test, analyzer, micros(at), who, said)
        self._touch("quality")

    def set_standing(self, row: StandingRow) -> None:
        """Keep how a test stands on an analyzer."""
        self.drop_standing(row.test, row.analyzer)
        self._insert(
            _ADD_STANDING, row.test, row.analyzer, row.state, row.why, micros_or_none(row.since),
            micros_or_none(row.latest), micros_or_none(row.good), micros_or_none(row.due),
            row.results, micros(row.counted_from) if row.counted_from else 0,
        )  # fmt: skip
        self._touch("quality")

    def drop_standing(self, test: str, analyzer: str) -> None:
        """Forget how a test stands on an analyzer: no control is defined for it any more."""
        self._run(_DROP_STANDING, which=test, where=analyzer)

    def count_patient_result(self, test: str, analyzer: str) -> None:
        """Count one more patient's result since the controls of a test on an analyzer."""
        self._run(_COUNT, which=test, where=analyzer)


def _level_of(row: Any) -> ControlLevel:
    number, test, analyzer, material, lot, level, mark, unit, mean, sd, *rest = row
    expires, basis, own_from, added, ended = rest
    return ControlLevel(
        number, test, analyzer, material, lot, level, mark, unit, Decimal(mean), Decimal(sd),
        instant(added), instant_or_none(expires), basis, instant_or_none(own_from),
        instant_or_none(ended),
    )  # fmt: skip


def _result_of(row: Any) -> ControlResult:
    number, message, at, arrived, test, analyzer, level, specimen, lot, value, *rest = row
    unit, run, mean, sd, basis, verdict, rules, note, out, by, reason, history = rest
    return ControlResult(
        number, message, instant(at), instant(arrived), test, analyzer, level, specimen, lot,
        _number(value), unit, run, _number(mean), _number(sd), basis, verdict,
        tuple(rules.split(",")) if rules else (), note, instant_or_none(out), by or "",
        reason or "", bool(history),
    )  # fmt: skip


def _standing_of(row: Any) -> StandingRow:
    test, analyzer, state, why, since, latest, good, due, results, counted = row
    return StandingRow(
        test, analyzer, state, why, instant_or_none(since), instant_or_none(latest),
        instant_or_none(good), instant_or_none(due), results, instant(counted) if counted else None,
    )  # fmt: skip


def _number(stored: str) -> Decimal | None:
    return Decimal(stored) if stored else None


def _text(number: Decimal | None) -> str:
    return "" if number is None else str(number)

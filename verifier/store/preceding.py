"""What an analyzer measured just before: one look into the index for each test asked of."""

from collections.abc import Iterator, Sequence

from sqlalchemy import Select, bindparam, literal_column, or_, select, union_all

from verifier.facts.case import Preceding
from verifier.facts.preceding import BOUND, Asked
from verifier.store import codec, schema
from verifier.store.base import Reading
from verifier.store.sql import Statement

_result = schema.result


def _one(number: int) -> Select[tuple[object, ...]]:
    """Return the look for one test; parameters carry the number of the test."""
    column = _result.c
    newest = (
        select(
            literal_column(str(number)).label("number"), column.value, column.unit, column.measured,
            column.specimen,
        )
        .where(
            column.measured.is_not(None),
            column.analyzer == bindparam(f"analyzer_{number}"),
            column.test == bindparam(f"test_{number}"),
            column.measured < bindparam(f"measured_{number}"),
            column.measured >= bindparam(f"since_{number}"),
            or_(column.patient != bindparam("patient"), column.patient == ""),
            column.case_id != bindparam("case"),
        )
        .order_by(column.measured.desc(), column.case_id.desc(), column.entry.desc())
        .limit(1)
        .subquery()
    )  # fmt: skip
    return select(newest)


def _looks(count: int) -> Statement:
    """Return the looks for so many tests as one statement."""
    return Statement(union_all(*(_one(number) for number in range(count))))


_MOST = 100  # in one statement; SQLite takes 500
_LOOKS = {count: _looks(count) for count in (1, 2)}  # others as they are needed


class PrecedingReads(Reading):
    """What can be asked about the order in which an analyzer measured."""

    def preceding(
        self, asked: Sequence[Asked], *, patient: str, case_id: int
    ) -> dict[str, Preceding]:
        """Return by test the last value measured before, on the same analyzer, within the bound.

        Of another case and another patient; a patient who is not identified is taken for another
        one. Whether the value left the laboratory does not matter, it was measured.
        """
        found: dict[str, Preceding] = {}
        for start in range(0, len(asked), _MOST):
            found.update(self._looked_up(asked[start : start + _MOST], patient, case_id))
        return found

    def _looked_up(
        self, asked: Sequence[Asked], patient: str, case_id: int
    ) -> Iterator[tuple[str, Preceding]]:
        values: dict[str, object] = {"patient": patient, "case": case_id}
        for number, item in enumerate(asked):
            values[f"analyzer_{number}"], values[f"test_{number}"] = item.analyzer, item.test
            values[f"measured_{number}"] = codec.micros(item.measured)
            values[f"since_{number}"] = codec.micros(item.measured - BOUND)
        count = len(asked)
        looks = _LOOKS.get(count) or _LOOKS.setdefault(count, _looks(count))
        for number, value, unit, measured, specimen in self._all(looks, **values):
            item = asked[number]
            yield (
                item.test,
                Preceding(
                    codec.read_value(value), unit, codec.instant(measured), item.analyzer, specimen
                ),
            )

"""What each analyzer measured, in memory: for judging messages without a store."""

from bisect import bisect_left, insort
from collections.abc import Collection, Sequence
from datetime import datetime

from msgspec import Struct

from verifier.facts.case import Case, Preceding
from verifier.facts.preceding import BOUND, Asked, analyzer_of, is_measured


class _Measured(Struct, frozen=True):
    """One value; `order` puts values in the order they were measured, the latest last."""

    order: tuple[datetime, int, int]
    patient: str
    item: Preceding


class Before:
    """Values by analyzer and test, as the store keeps them."""

    def __init__(self) -> None:
        self._by: dict[tuple[str, str], list[_Measured]] = {}
        self._places: dict[tuple[int, int], tuple[tuple[str, str], _Measured]] = {}

    def find(self, asked: Sequence[Asked], patient: str, case: int) -> dict[str, Preceding]:
        """Return by test the last value measured before, of another case and patient."""
        found = {}
        for wanted in asked:
            row = self._by.get((wanted.analyzer, wanted.test), [])
            for at in range(bisect_left(row, wanted.measured, key=_time) - 1, -1, -1):
                one = row[at]
                if one.item.measured < wanted.measured - BOUND:
                    break
                if one.order[1] != case and (not one.patient or one.patient != patient):
                    found[wanted.test] = one.item
                    break
        return found

    def keep(self, case: Case, tests: Collection[str], number: int) -> None:
        """Keep the values of some tests of a case, in place of what was kept of it before."""
        patient = case.patient.key if case.patient else ""
        for result in case.results:
            if result.test not in tests:
                continue
            place = (number, result.entry)
            if place in self._places:
                key, old = self._places.pop(place)
                self._by[key].remove(old)
            if result.measured is None or not is_measured(result):
                continue
            analyzer, specimen = analyzer_of(result), case.specimen.key
            item = Preceding(result.value, result.unit, result.measured, analyzer, specimen)
            one = _Measured((result.measured, *place), patient, item)
            insort(self._by.setdefault((analyzer, result.test), []), one, key=_order)
            self._places[place] = ((analyzer, result.test), one)


def _time(one: _Measured) -> datetime:
    return one.item.measured


def _order(one: _Measured) -> tuple[datetime, int, int]:
    return one.order

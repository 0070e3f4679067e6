"""The specimen an analyzer measured just before: what it may have left behind, or mixed up.

Of each test for itself, since an analyzer measures the tests of a specimen at different times: the
last value of the test that the same analyzer measured before, of another patient.
"""

from collections import Counter
from collections.abc import Collection, Mapping
from datetime import datetime, timedelta

from msgspec import Struct
from msgspec.structs import replace

from verifier.facts.case import Case, Entry, Preceding, Result
from verifier.facts.catalogue import Catalogue
from verifier.facts.mapping import in_unit_of
from verifier.facts.values import Absent

# An analyzer is washed, checked and given controls at least once a day: nothing of a specimen
# before that reaches the next. Common practice, no source.
BOUND = timedelta(hours=24)
EXACT = ("minute", "second")  # precisions of a time that a duration can be counted from


class Asked(Struct, frozen=True):
    """Which value is looked for: of `test`, on `analyzer`, before `measured`."""

    test: str
    analyzer: str
    measured: datetime


def measured_at(entry: Entry) -> datetime:
    """Return when a result was measured: OBX-19, or the arrival where it is not that exact."""
    analyzed = entry.observation.analysed
    return analyzed.at if analyzed and analyzed.precision in EXACT else entry.arrived


def analyzer_of(result: Result) -> str:
    """Return what tells one analyzer from another: OBX-18, else the connection."""
    return result.analyzer or result.connection


def asked(case: Case, tests: Collection[str]) -> tuple[Asked, ...]:
    """Return what to look for, of those of `tests` the specimen has one value of."""
    if not tests:
        return ()
    counts = Counter(result.test for result in case.results)
    return tuple(
        Asked(result.test, analyzer_of(result), result.measured)
        for result in case.results
        if result.test in tests and counts[result.test] == 1 and result.measured
    )


def is_measured(result: Result) -> bool:
    """Return whether a result can be the one before: something was measured, at a known time."""
    return result.measured is not None and not isinstance(result.value, Absent)


def with_preceding(case: Case, found: Mapping[str, Preceding], catalogue: Catalogue) -> Case:
    """Return the case with the values found, in today's units; one that does not fit is left out.

    Titers and words have no unit and stay as they are.
    """
    fitting: dict[str, Preceding] = {}
    for name, item in found.items():
        test = catalogue.tests.get(name)
        if test is None:
            continue
        if item.unit != test.unit:
            value = in_unit_of(test, item.value, item.unit)
            if value is None:
                continue
            item = replace(item, value=value, unit=test.unit)
        fitting[name] = item
    return replace(case, preceding=fitting) if fitting else case

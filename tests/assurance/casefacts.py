"""The facts of a case as the solver names them, read from the case without the evaluator."""

from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Any

from verifier.assurance.proof.facts import Facts
from verifier.facts.ages import anniversary, calendar_day, completed
from verifier.facts.case import Case, Earlier, Result
from verifier.facts.values import Between, Number, Value
from verifier.language.program import Program

ZERO = Fraction(0)


def facts_of(case: Case, program: Program, facts: Facts) -> dict[str, Any]:
    """Return the value of every variable that was asked for."""
    return _Reader(case, program, facts).read()


class _Reader:
    def __init__(self, case: Case, program: Program, facts: Facts) -> None:
        self.case, self.facts = case, facts
        self.units = {name: test.unit for name, test in program.catalogue.tests.items()}
        self.found: dict[str, Any] = {}
        self.last: dict[str, Decimal] = {}
        self.moment = case.specimen.collected
        self.live: dict[str, list[Result]] = {}
        for result in case.results:
            if result.test and result.state != "rejected":
                self.live.setdefault(result.test, []).append(result)

    def read(self) -> dict[str, Any]:
        self._flags()
        for name in self.facts.tests:
            self._test(name)
        for name in self.facts.before:
            if not name.startswith("one of several "):
                item = self.case.preceding.get(name)
                self._value(f"preceding {name}", item.value if item else None, item is not None)
        for name in self.facts.past:
            self._past(name)
        for name in self.facts.controls:
            state = self.case.quality.get(name, "unknown")
            self.found[f"{name}.in control"] = state == "in control"
            self.found[f"{name}.out of control"] = state == "out of control"
        self._age()
        self._words()
        self._times()
        return self.found

    def _flags(self) -> None:
        for name in self.facts.flags:
            if name.endswith(".several"):
                self.found[name] = len(self.live.get(name.removesuffix(".several"), ())) > 1
            elif name.endswith(".left before"):
                of_test = self.live.get(name.removesuffix(".left before"), [])
                self.found[name] = any(result.state == "released" for result in of_test)
            else:
                self.found[name] = False
        self.found["collection time"] = self.moment is not None

    def _value(self, name: str, value: Value | None, present: bool) -> None:
        self.found[f"{name}.present"] = present
        self.found[f"{name}.exact"] = isinstance(value, Number)
        self.found[f"{name}.ranged"] = isinstance(value, Between)
        self.found[name] = Fraction(value.value) if isinstance(value, Number) else ZERO
        ends = value if isinstance(value, Between) else Between(None, None)
        self.found[f"{name}.has low"], self.found[f"{name}.low in"] = (
            ends.low is not None, ends.low_included,
        )  # fmt: skip
        self.found[f"{name}.has high"], self.found[f"{name}.high in"] = (
            ends.high is not None, ends.high_included,
        )  # fmt: skip
        self.found[f"{name}.low"] = Fraction(ends.low or 0)
        self.found[f"{name}.high"] = Fraction(ends.high or 0)

    def _test(self, name: str) -> None:
        found = self.live.get(name, [])
        usable = [r.value if r.unit == self.units[name] else None for r in found]
        self._value(name, usable[0] if len(found) == 1 else None, bool(found))
        one = usable[0] if len(found) > 1 else None
        self._value(f"one of several {name}", one, len(found) > 1)

    def _past(self, name: str) -> None:
        specimen, counted = self.case.specimen, list[Earlier]()
        for item in self.case.earlier.get(name, ()):
            if self.moment is None or item.collected >= self.moment.at:
                continue
            other = item.specimen_type and specimen.type and item.specimen_type != specimen.type
            if not other and item.unit == self.units[name] and item.specimen != specimen.key:
                counted.append(item)
        counted.sort(key=lambda item: item.collected, reverse=True)
        newest = counted[0] if counted else None
        number = newest.value if newest else None
        self.last[name] = number.value if isinstance(number, Number) else Decimal(0)
        self._value(f"earlier {name}", newest.value if newest else None, newest is not None)
        ago = self.moment.at - newest.collected if newest and self.moment else timedelta(1)
        self.found[f"earlier {name}.ago"] = _seconds(ago)
        for test, window in self.facts.summaries:
            if test == name:
                self._summary(name, window, counted)

    def _summary(self, name: str, window: int, counted: list[Earlier]) -> None:
        words = f"earlier {name} {window}"
        since = self.moment.at - timedelta(seconds=window) if self.moment else None
        inside = [item.value for item in counted if since and item.collected >= since]
        numbers = sorted(item.value for item in inside if isinstance(item, Number))
        self.found[f"{words}.numbers"] = bool(inside) and len(numbers) == len(inside)
        if not self.found[f"{words}.numbers"]:  # nobody asks then
            numbers = [self.last[name]]
        half = len(numbers) // 2
        self.found[f"{words}.low"] = Fraction(numbers[0])
        self.found[f"{words}.high"] = Fraction(numbers[-1])
        middle = Fraction(numbers[half])
        if len(numbers) % 2 == 0:
            middle = (middle + Fraction(numbers[half - 1])) / 2
        self.found[f"{words}.median"] = middle

    def _age(self) -> None:
        patient = self.case.patient
        birth = patient.birth if patient else None
        on = calendar_day(self.moment) if self.moment else self.case.now.date()
        self.found["birth date"] = birth is not None
        ends = (birth.latest, birth.earliest) if birth else (on, on)
        for name, end in zip(("age", "age at most"), ends, strict=True):
            self.found[name] = Fraction((on - end).days)
        for name, end in zip(("years", "years at most"), ends, strict=True):
            self.found[name] = Fraction(completed(end, on, "years"))
        for months in self.facts.reached:
            self.found[f"{months} months"] = anniversary(ends[0], months, "months") <= on
            self.found[f"{months} months at most"] = anniversary(ends[1], months, "months") <= on

    def _words(self) -> None:
        case, patient = self.case, self.case.patient
        assert patient is not None
        said = {"sex": patient.sex if patient.sex in {*"FMOAN"} else ""}
        said["specimen"] = case.specimen.type
        for what, words in self.facts.words.items():
            if what.startswith("attribute "):
                name = what.removeprefix("attribute ")
                at_specimen = case.specimen.attributes.get(name)
                said[what] = patient.attributes.get(name) or at_specimen or ""
            self.found[f"{what}.known"] = bool(said[what])
            self.found |= {f"{what} {word}": said[what] == word for word in words}

    def _times(self) -> None:
        self.found["elapsed"] = _seconds(self.case.now - self.case.opened)
        every = [r for r in self.case.results if r.state != "rejected"]
        for test in self.facts.ages:
            of_test = self.live.get(test, []) if test else every
            times = [r.measured for r in of_test if r.measured]
            if test and len(of_test) == 1:
                times = [t for t in [of_test[0].measured] if t]
            self._specimen_age(f"specimen age {test}".strip(), min(times, default=None))

    def _specimen_age(self, name: str, measured: datetime | None) -> None:
        exact = self.moment is not None and self.moment.precision in ("minute", "second")
        known = bool(exact and measured and self.moment and measured >= self.moment.at)
        self.found[f"{name}.known"] = known
        age = measured - self.moment.at if known and measured and self.moment else timedelta(0)
        self.found[name] = _seconds(age)


def _seconds(span: timedelta) -> Fraction:
    return Fraction(span // timedelta(microseconds=1), 1_000_000)

"""Cases at random, with everything that can be missing, censored, unreadable or at an edge."""

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from random import Random

from oracle_texts import GRID

from verifier.facts.case import Case, Control, Earlier, Preceding, Result
from verifier.facts.catalogue import Catalogue
from verifier.facts.subjects import BirthDate, Moment, Patient, Specimen
from verifier.facts.values import Absent, Between, Number, Unreadable, Value, Words

NOW = datetime(2024, 3, 1, 1, 0, tzinfo=UTC)
AGO = [timedelta(hours=h) for h in (-1, 0, 1, 2, 3, 47, 48, 49, 72, 73, 168, 169, 336, 400)]
OPENED = [timedelta(minutes=m) for m in (0, 19, 20, 21, 60, 90)]
BIRTHDAYS = [
    date(1950, 1, 1), date(1959, 3, 1), date(1984, 2, 29), date(2004, 2, 29), date(2006, 2, 28),
    date(2006, 3, 1), date(2006, 3, 2), date(2023, 2, 28), date(2023, 8, 31), date(2023, 9, 1),
    date(2024, 1, 31), date(2024, 2, 1), date(2024, 2, 2), date(2024, 2, 29), date(2024, 3, 1),
]  # fmt: skip
STATES: tuple[Control, ...] = ("in control", "in control", "out of control", "unknown")
SPECIMENS = ("serum", "serum", "plasma", "")


class Chance:
    """Makes cases for one catalogue; the same seed makes the same."""

    def __init__(self, random: Random, catalogue: Catalogue, derived: list[str]) -> None:
        self.random, self.pick = random, random.choice
        self.tests = catalogue.tests
        self.derived = derived

    def case(self) -> Case:
        """Return a case."""
        random = self.random
        names = [name for name in GRID if random.random() < 0.75]
        names += [self.pick([*GRID])] if random.random() < 0.05 else []  # a second value
        taken = NOW - timedelta(hours=self.pick((1, 2, 30)))
        moment = None
        if random.random() < 0.93:
            local = taken + timedelta(hours=self.pick((0, 0, 13)))
            exact = self.pick(("second", "minute", "second", "minute", "hour"))
            moment = Moment(taken, exact, f"{local:%Y%m%d%H%M%S}")
        attributes = {"class": "dialysis"} if random.random() < 0.2 else {}
        earlier = {}
        for name in (*GRID, *self.derived):
            if random.random() < 0.6:
                earlier[name] = self._earlier(name, taken)
        return Case(
            patient=self._patient(),
            specimen=Specimen("S1", self.pick(SPECIMENS), moment, attributes=attributes),
            results=tuple(self._result(n, name) for n, name in enumerate(names)),
            earlier=earlier,
            quality={name: self.pick(STATES) for name in GRID if random.random() < 0.9},
            preceding={name: self._preceding(name) for name in GRID if random.random() < 0.6},
            now=NOW,
            opened=NOW - self.pick(OPENED),
        )

    def _result(self, entry: int, name: str) -> Result:
        odd = self.random.random()
        unit = "mmol/kg" if odd < 0.02 else self.tests[name].unit
        return Result(
            entry=entry, test="" if 0.02 < odd < 0.04 else name, title=name, code="",
            value=self._value(name), unit=unit, sent_text="", sent_unit="", status="F",
            state="rejected" if 0.04 < odd < 0.07 else "open", measured=self._measured(),
        )  # fmt: skip

    def _measured(self) -> datetime | None:
        if self.random.random() < 0.05:
            return None
        return NOW + timedelta(hours=self.pick((-31, -30, -3, -2, -1, 0, 1, 6, 7)))

    def _preceding(self, name: str) -> Preceding:
        return Preceding(self._value(name), self.tests[name].unit, NOW, "AN1", "S0")

    def _value(self, name: str) -> Value:
        odd = self.random.random()
        value = self._decimal(name)
        if odd < 0.82:
            return Number(value)
        if odd < 0.94:
            return self._between(value, name)
        return self.pick((Words("see text"), Absent("empty"), Unreadable("5,1", "a comma")))

    def _decimal(self, name: str) -> Decimal:
        values = GRID[name][2] if name in GRID else GRID["potassium"][2]
        value = Decimal(self.pick(values))
        return value + self.pick(NUDGES) if self.random.random() < 0.4 else value

    def _between(self, value: Decimal, name: str) -> Between:
        included = self.random.random() < 0.5
        match self.random.randrange(5):
            case 0 | 1:
                return Between(None, value, False, included)
            case 2 | 3:
                return Between(value, None, included, False)
        return Between(value, value + 1, included, self.random.random() < 0.5)

    def _patient(self) -> Patient | None:
        odd = self.random.random()
        if odd < 0.04:
            return None
        sex = self.pick(("F", "F", "M", "M", "O", "U", ""))
        attributes = {"class": "dialysis"} if self.random.random() < 0.15 else {}
        if self.random.random() < 0.3:
            attributes["ward"] = self.pick(("dialysis", "north", ""))
        return Patient(
            "" if odd < 0.07 else "LAB|MR|1", birth=self._birth(), sex=sex, attributes=attributes
        )

    def _birth(self) -> BirthDate | None:
        odd, day = self.random.random(), self.pick(BIRTHDAYS)
        if odd < 0.1:
            return None
        if odd < 0.2:
            return BirthDate(date(day.year, 1, 1), date(day.year, 12, 31))
        if odd < 0.3:
            return BirthDate(day.replace(day=1), day.replace(day=28))
        return BirthDate(day, day)

    def _earlier(self, name: str, taken: datetime) -> tuple[Earlier, ...]:
        unit = self.tests[name].unit if name in self.tests else "mmol/L"
        ago = sorted(self.random.sample(AGO, self.pick((1, 2, 3))))
        return tuple(
            Earlier(
                self._value(name),
                "mol/L" if self.random.random() < 0.03 else unit,
                taken - back,
                "S1" if self.random.random() < 0.03 else "S0",
                self.pick(SPECIMENS),
            )
            for back in ago
        )


NUDGES = [Decimal(n) for n in ("0.01", "-0.01", "0.1", "-0.1", "1", "-1", "0.0001")]

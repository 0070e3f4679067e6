"""A specimen as a laboratory sends it, judged by the shipped rule set: from HL7 to the decision.

Values are written with the unit they are sent in; codes, conversion, formulas and rules are those
of the program. `exact` is the shipped rule set with nine decimals in its derived results, so that
digits can be compared; nothing else of it is changed.
"""

import re
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from functools import cache

from msgspec.structs import replace

from verifier.decide.decide import decide
from verifier.decide.offline import Judged, Offline
from verifier.facts.ages import anniversary
from verifier.facts.case import Earlier
from verifier.facts.catalogue import ConnectionMap
from verifier.facts.mapping import in_unit_of
from verifier.facts.values import Number
from verifier.hl7.message import Message
from verifier.language import Program, check
from verifier.rulefiles import load_program, read_files, shipped_rules

TAKEN = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
Values = Mapping[str, str]
_UNIT_OF_DERIVED = re.compile(r"^(  unit\s+\S+)\s+decimals \d+", re.MULTILINE)


@cache
def shipped() -> Program:
    """Return the shipped rule set."""
    return load_program(shipped_rules())


@cache
def exact() -> Program:
    """Return the shipped rule set with nine decimals in every derived result."""
    texts, _ = read_files(shipped_rules())
    return compiled({name: _with_nine_decimals(text) for name, text in texts.items()})


def compiled(texts: dict[str, str]) -> Program:
    """Return the program of rule files that must be free of errors."""
    checked = check(texts)
    assert checked.program is not None, checked.diagnostics
    return checked.program


def _with_nine_decimals(text: str) -> str:
    statements = re.split(r"^(?=\S)", text, flags=re.MULTILINE)
    return "".join(
        _UNIT_OF_DERIVED.sub(r"\1  decimals 9", part) if part.startswith("derive ") else part
        for part in statements
    )


class Bench:
    """Sends specimens of different patients to one program."""

    def __init__(self, program: Program) -> None:
        self.program = program
        self._tests = program.catalogue.tests
        self._codes = {
            name: next((code for _, code in test.codes), name) for name, test in self._tests.items()
        }
        codes = {code: name for name, code in self._codes.items()}
        connection = ConnectionMap(
            "outside", tests=codes, specimens={"SER": "serum", "PLAS": "plasma"}
        )
        self._line = Offline(program, connection, dict.fromkeys(self._tests, "in control"))
        self._sent = 0

    def send(
        self,
        values: Values,
        *,
        sex: str = "F",
        years: int = 40,
        born: date | None = None,
        before: Mapping[timedelta, Values] | None = None,
    ) -> Judged:
        """Return the decision on one specimen.

        `values` are numbers with unit by name of test; `before` those of verified specimens of the
        same patient, by how long before they were taken.
        """
        self._sent += 1
        born = born or anniversary(TAKEN.date(), -years, "years")
        message = Message.read(self._message(values, sex, born).encode())
        (judged,) = self._line.judge(message, TAKEN + HOUR)
        assert not [item.faults for item in judged.case.results if item.faults]
        if before is None:
            return judged
        case = replace(judged.case, earlier=self._earlier(before))
        return Judged(case, decide(case, self.program))

    def derived(self, values: Values, *, sex: str = "F", years: int = 40) -> dict[str, Decimal]:
        """Return every derived result there is of one specimen, in the unit it is declared in."""
        notes = self.program.judge(self.send(values, sex=sex, years=years).case).notes
        return {name: Decimal(fact.value) for name, fact in notes.items()}

    def _message(self, values: Values, sex: str, born: date) -> str:
        at, number = f"{TAKEN:%Y%m%d%H%M%S}+0000", self._sent
        allowed = [self._tests[test].specimens for test in values]
        material = "SER" if all("serum" in types or not types for types in allowed) else "PLAS"
        lines = [
            f"MSH|^~\\&|AN|LAB|V|LAB|{at}||ORU^R01^ORU_R01|{number}|P|2.5.1",
            f"PID|1||{number}^^^LAB^MR||||{born:%Y%m%d}|{sex}",
            f"OBR|1|P|F{number}|PANEL|||{at}",
            *(self._obx(n, *item) for n, item in enumerate(values.items(), 1)),
            f"SPM|1|S{number}||{material}|||||||P||||||{at}",
        ]
        return "\r".join(lines)

    def _obx(self, number: int, test: str, said: str) -> str:
        value, unit = said.split(" ")
        return f"OBX|{number}|NM|{self._codes[test]}^^LN||{value}|{unit}|||||F"

    def _earlier(self, before: Mapping[timedelta, Values]) -> dict[str, tuple[Earlier, ...]]:
        found: dict[str, list[Earlier]] = {}
        for ago in sorted(before):  # newest first
            for name, said in before[ago].items():
                test, (value, unit) = self._tests[name], said.split(" ")
                known = in_unit_of(test, Number(Decimal(value)), unit)
                assert known is not None
                found.setdefault(name, []).append(
                    Earlier(known, test.unit, TAKEN - ago, f"before-{ago}", "serum")
                )
        return {name: tuple(items) for name, items in found.items()}


def value_of(judged: Judged, test: str) -> Decimal:
    """Return the value of a test as rules see it: in the unit the rule set declares."""
    (value,) = (item.value for item in judged.case.results if item.test == test)
    assert isinstance(value, Number)
    return value.value


def holding(judged: Judged, test: str = "") -> set[str]:
    """Return the names of the rules that hold a test, or any test of the specimen."""
    return {
        reason.rule
        for item in judged.decision.results
        for reason in item.reasons
        if reason.kind in ("hold", "suppress") and test in ("", item.test)
    }

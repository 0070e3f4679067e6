"""Control levels and control results from CSV files, with every mistake named by its line."""

import csv
import io
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, datetime, time, timedelta
from decimal import Decimal, InvalidOperation
from typing import TypeVar
from zoneinfo import ZoneInfo

from verifier.errors import RefusedError, SettingsError
from verifier.facts.catalogue import Catalogue, TestDefinition
from verifier.facts.mapping import in_unit_of
from verifier.facts.units import parse_unit
from verifier.facts.values import Number
from verifier.service.wiring import unknown
from verifier.store.ids import new_id
from verifier.store.qualityrows import ControlLevel, ControlResult

LEVEL_COLUMNS = ("test", "material", "lot", "level", "mark", "unit", "mean", "sd", "expires")
RESULT_COLUMNS = ("at", "test", "analyzer", "material", "lot", "level", "value", "unit")
_MOST_SHOWN = 20

T = TypeVar("T")
Row = Mapping[str, str]


class _WrongError(Exception):
    """What is wrong with one line, as a sentence."""


def read_levels(
    name: str, text: str, catalogue: Catalogue, zone: ZoneInfo, now: datetime
) -> list[ControlLevel]:
    """Return the levels a file defines; `analyzer` is a column that may be left out.

    Raises:
        SettingsError: columns are missing or lines are wrong; all of them, with their numbers.
    """

    return _lines(name, text, LEVEL_COLUMNS, lambda row: _level(row, catalogue, zone, now))


def level_of_form(row: Row, catalogue: Catalogue, zone: ZoneInfo, now: datetime) -> ControlLevel:
    """Return the level somebody typed, in fields named as the columns of a file.

    Raises:
        RefusedError: a field is empty or wrong.
    """
    try:
        return _level({name: text.strip() for name, text in row.items()}, catalogue, zone, now)
    except _WrongError as error:
        raise RefusedError("Nothing was defined: %(error)s.", error=error) from error


def _level(row: Row, catalogue: Catalogue, zone: ZoneInfo, now: datetime) -> ControlLevel:
    test = _test(row, catalogue)
    mean, sd = _in_unit(test, row, "mean"), _in_unit(test, row, "sd")
    if sd <= 0:
        raise _WrongError("sd must be above 0")
    return ControlLevel(
        new_id(), test.name, row.get("analyzer", ""), _needed(row, "material"),
        _needed(row, "lot"), _needed(row, "level"), row["mark"], test.unit, mean, sd, now,
        _end_of(row["expires"], zone),
    )  # fmt: skip


def read_results(
    name: str, text: str, catalogue: Catalogue, zone: ZoneInfo, now: datetime
) -> list[tuple[ControlResult, str, str]]:
    """Return measurements, each with material and level; `run` is a column that may be left out.

    Times without offset are taken in `zone`.

    Raises:
        SettingsError: columns are missing or lines are wrong; all of them, with their numbers.
    """

    def one(row: Row) -> tuple[ControlResult, str, str]:
        test = _test(row, catalogue)
        material, level = _needed(row, "material"), _needed(row, "level")
        at = _moment(row["at"], zone)
        if at > now + timedelta(minutes=10):
            raise _WrongError(f"at {row['at']!r} lies in the future")
        result = ControlResult(
            new_id(), None, at, now, test.name, _needed(row, "analyzer"), None,
            f"{material} {level}", _needed(row, "lot"), _in_unit(test, row, "value"), test.unit,
            row.get("run", ""),
        )  # fmt: skip
        return result, material, level

    return _lines(name, text, RESULT_COLUMNS, one)


def _lines(name: str, text: str, columns: Sequence[str], one: Callable[[Row], T]) -> list[T]:
    reader = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")), strict=True)
    found, wrong = [], []
    try:
        missing = [column for column in columns if column not in (reader.fieldnames or ())]
        if missing:
            told = f"{name}:1: column {', '.join(missing)} is missing; needed: {','.join(columns)}"
            raise SettingsError(told)
        for row in _rows(reader):
            try:
                found.append(one(row))
            except _WrongError as error:
                wrong.append(f"{name}:{reader.line_num}: {error}")
    except csv.Error as error:
        wrong.append(f"{name}:{reader.line_num}: this is not CSV: {error}")
    if wrong:
        more = [f"… and {len(wrong) - _MOST_SHOWN} more"] if len(wrong) > _MOST_SHOWN else []
        raise SettingsError("\n".join([*wrong[:_MOST_SHOWN], *more, "Nothing was taken."]))
    return found


def _rows(reader: "csv.DictReader[str]") -> Iterator[Row]:
    for row in reader:
        cells = {k: v.strip() for k, v in row.items() if isinstance(k, str) and v is not None}
        if any(cells.values()):
            yield dict.fromkeys(reader.fieldnames or (), "") | cells


def _needed(row: Row, column: str) -> str:
    if not row[column]:
        raise _WrongError(f"{column} is empty")
    return row[column]


def _test(row: Row, catalogue: Catalogue) -> TestDefinition:
    name = _needed(row, "test")
    if name not in catalogue.tests:
        raise _WrongError(unknown("test", name, catalogue.tests))
    return catalogue.tests[name]


def _in_unit(test: TestDefinition, row: Row, column: str) -> Decimal:
    """Return a number in the unit of the test; an empty unit means that one."""
    try:
        number = Decimal(_needed(row, column))
    except InvalidOperation:
        raise _WrongError(f"{column} {row[column]!r} is not a number") from None
    if not number.is_finite():
        raise _WrongError(f"{column} {row[column]!r} is not a number")
    if not row["unit"] or row["unit"] == test.unit:
        return number
    unit = parse_unit(row["unit"])
    value = in_unit_of(test, Number(number), unit) if unit else None
    if not isinstance(value, Number):
        raise _WrongError(f"unit {row['unit']!r} can not be converted to {test.unit}")
    return value.value


def _moment(text: str, zone: ZoneInfo) -> datetime:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise _WrongError(f"at {text!r} is not a time such as 2026-03-02T08:15") from None
    return at if at.tzinfo else at.replace(tzinfo=zone)


def _end_of(text: str, zone: ZoneInfo) -> datetime | None:
    """Return the end of the day a lot expires on."""
    if not text:
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise _WrongError(f"expires {text!r} is not a date such as 2027-06-30") from None
    return datetime.combine(day, time.max, zone)

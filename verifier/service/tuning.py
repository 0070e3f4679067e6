"""Results to tune a monitor on, and what was found, as settings and as a curve."""

import csv
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal, InvalidOperation
from pathlib import Path

from verifier.errors import SettingsError
from verifier.quality.detection import Alarms, Tuned, needed
from verifier.quality.moving import Plan

_PLAN = ("kind", "size", "weight", "target", "lowest", "highest", "low", "high")
_COLUMNS = (
    "monitor", "rank", *_PLAN, "alarms_begun", "alarms_among", "alarms_per_1000_at_most",
    "bias_percent", "places", "found", "median", "most",
)  # fmt: skip
Measured = tuple[str, Decimal]  # the analyzer, empty where it is not known, and the value


def by_analyzer(measured: Iterable[Measured], only: str, *, pool: bool) -> dict[str, list[Decimal]]:
    """Return the values of each analyzer: two of them seldom agree to the last digit, and the
    limits of both together would fit neither. With `pool` they are taken as one all the same.

    Raises:
        SettingsError: nothing was measured on the analyzer asked for.
    """
    found: dict[str, list[Decimal]] = {}
    for analyzer, value in measured:
        if only in ("", analyzer):
            found.setdefault("" if pool else analyzer, []).append(value)
    if only and not found:
        raise SettingsError(f"nothing was measured on {only!r}")
    return found


def report(name: str, found: Sequence[Tuned], alarms: Decimal) -> Iterable[str]:
    """Yield plans as lines of the settings file, each with its curve as comments.

    `name` is a test, or a test ``on`` an analyzer; `alarms` are the false alarms accepted per 1,000
    results, of which it is said whether the history is long enough to show that they are kept.
    """
    key = f'"{name}"' if " " in name else name
    for number, tuned in enumerate(found, 1):
        yield f"# {number}. {_named(tuned.plan)}"
        yield from _false(tuned.alarms, alarms)
        yield f"[quality.monitors.{key}]"
        yield from _settings(tuned.plan)
        yield "#   bias %   found   median   95 of 100"
        for one in tuned.curve:
            share = f"{one.found}/{one.places}"
            median, most = (_count(n) for n in (one.median, one.most))
            yield f"#   {one.bias!s:>6}   {share:>6}   {median:>6}   {most:>9}"
        yield ""


def shows(found: Sequence[Tuned], alarms: Decimal) -> bool:
    """Return whether the history shows of every plan that it keeps to the accepted alarms."""
    return all(tuned.alarms.at_most <= alarms for tuned in found)


def _false(found: Alarms, accepted: Decimal) -> Iterable[str]:
    yield (
        f"#   false alarms: {found.began} on {found.results} results the limits are not from, "
        f"{found.rate:.2f} per 1,000;"
    )
    yield f"#   with 95 % confidence at most {found.at_most:.2f} per 1,000"
    if found.rate > accepted:
        yield f"#   NOT KEPT: {accepted} per 1,000; its limits are too narrow for other results"
    elif found.at_most > accepted:
        yield (
            f"#   NOT SHOWN: {accepted} per 1,000. That takes {2 * needed(accepted)} results or "
            "more, half for the limits"
        )
        yield "#   and half without one false alarm; until then expect more"


def _count(number: int | None) -> str:
    return "not" if number is None else str(number)


def _named(plan: Plan) -> str:
    cut = "" if plan.lowest is None else ", truncated"
    return (
        f"EWMA of weight {plan.weight}{cut}"
        if plan.kind == "ewma"
        else f"moving {plan.kind} of {plan.size}{cut}"
    )


def _settings(plan: Plan) -> Iterable[str]:
    yield f'kind = "{plan.kind}"'
    yield f'weight = "{plan.weight}"' if plan.kind == "ewma" else f"size = {plan.size}"
    for name in ("target", "lowest", "highest", "low", "high"):
        number = getattr(plan, name)
        if number is not None:
            yield f'{name} = "{format(round(number, 4).normalize(), "f")}"'


def write_curve(path: Path, found: Mapping[str, Sequence[Tuned]]) -> None:
    """Write the curves of each monitor as CSV. Raises SettingsError when it can not be written."""
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(_COLUMNS)
            for name, those in found.items():
                for rank, tuned in enumerate(those, 1):
                    writer.writerows((name, rank, *row) for row in _rows(tuned))
    except OSError as error:
        raise SettingsError(f"{path}: {error.strerror}") from error


def _rows(tuned: Tuned) -> Iterable[tuple[object, ...]]:
    """Yield what is written of every bias of one plan: the plan, its false alarms, the bias."""
    written = dict(line.split(" = ") for line in _settings(tuned.plan))
    plan = [written.get(name, "").strip('"') for name in _PLAN]
    told = tuned.alarms
    for one in tuned.curve:
        counts = ("" if n is None else n for n in (one.median, one.most))
        yield (
            *plan, told.began, told.results, round(told.at_most, 2), one.bias, one.places,
            one.found, *counts,
        )  # fmt: skip


def read_values(path: Path) -> list[Measured]:
    """Return the column ``value`` of a CSV file, and ``analyzer`` where there is one.

    Raises:
        SettingsError: the file can not be read, or a value is none; file and line are named.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            if "value" not in (reader.fieldnames or ()):
                raise SettingsError(f'{path}:1: column "value" is missing')
            return [
                ((row.get("analyzer") or "").strip(), _value(path, reader.line_num, row["value"]))
                for row in reader
            ]
    except OSError as error:
        raise SettingsError(f"{path}: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path}: this is not UTF-8 text; save it as UTF-8") from error


def _value(path: Path, line: int, text: str | None) -> Decimal:
    try:
        return read_number(text or "")
    except ValueError:
        raise SettingsError(f"{path}:{line}: {text!r} is not a number") from None


def read_number(text: str) -> Decimal:
    """Return a finite number. Raises ValueError."""
    try:
        number = Decimal(text.strip())
    except InvalidOperation:
        raise ValueError(f"{text!r} is not a number") from None
    if not number.is_finite():
        raise ValueError(f"{text!r} is not a number")
    return number

"""What one OBX-5 says, read by its value type (HL7 v2.5.1 table 0125) and never guessed.

NM is an optional sign, digits, an optional point: no exponent, no thousands mark, no comma
(v2.5.1 section 2.A.47). SN carries comparator and range (2.A.70). ST is where most senders put
``<5``, so a plain number or a comparator with a number is read there too.
"""

import re
from decimal import ROUND_HALF_UP, Context, Decimal
from functools import lru_cache

from verifier.facts.values import (
    TITER,
    Absent,
    Between,
    Number,
    Titer,
    TiterBetween,
    Unreadable,
    Value,
    Words,
)

_NUMBER = r"[+-]?(?:[0-9]{1,40}(?:\.[0-9]{0,40})?|\.[0-9]{1,40})"
_PLAIN = re.compile(_NUMBER)
_COMPARED = re.compile(rf"(<=|>=|<|>|=) ?({_NUMBER})")
_RANGE = re.compile(rf"({_NUMBER})-({_NUMBER})")
_TITER = re.compile(r"(?:(<=|>=|<|>|=) ?)?1:([1-9][0-9]{0,9})")
_PLENTY = Context(prec=100, rounding=ROUND_HALF_UP)

_CODED = {"CE", "CWE", "CNE", "CF", "IS", "ID"}
_TEXT = {"TX", "FT", "DT", "TM", "TS", "DTM"}
_SHOWN = 60


def read_value(
    kind: str, text: str | None, null: bool, *, comparator_in_numeric: bool = False
) -> Value:
    """Return the value of an OBX with type `kind` (OBX-2) and decoded text (OBX-5).

    `null` is true for the HL7 null ``""``, which asks to delete and is never a value. With
    `comparator_in_numeric` a site declares that its sender writes ``<5`` under NM. The text of
    coded types is ``code^text``.
    """
    if null:
        return Absent("null")
    if text is None or not text.strip():
        return Absent("empty")
    return _read(kind, text.strip(), comparator_in_numeric)


@lru_cache(maxsize=8192)
def _read(kind: str, text: str, comparator_in_numeric: bool) -> Value:
    if kind == "NM":
        return _numeric(text, comparator_in_numeric)
    if kind == "SN":
        return _number(text) or _compared(text) or _structured(text)
    if kind == "ST":
        return _number(text) or _compared(text) or Words(text)
    if kind in _CODED:
        code, separator, words = text.partition("^")
        return Words(words or code, code) if separator else Words(text, text)
    if kind in _TEXT:
        return Words(text)
    why = f"its value type {kind} is not read" if kind else "it has no value type (OBX-2)"
    return Unreadable(text[:_SHOWN], why)


def _numeric(text: str, comparator_in_numeric: bool) -> Value:
    if number := _number(text):
        return number
    compared = _compared(text)
    if compared and comparator_in_numeric:
        return compared
    if compared:
        return Unreadable(text, f"{text} carries a comparator but is sent as a plain number (NM)")
    return Unreadable(text[:_SHOWN], f"{text[:_SHOWN]!r} is not a number as HL7 writes it")


def _number(text: str) -> Value | None:
    return Number(Decimal(text)) if _PLAIN.fullmatch(text) else None


def _compared(text: str) -> Value | None:
    found = _COMPARED.fullmatch(text)
    if not found:
        return None
    sign, bound = found[1], Decimal(found[2])
    if sign == "=":
        return Number(bound)
    if sign[0] == "<":
        return Between(None, bound, high_included=sign == "<=")
    return Between(bound, None, low_included=sign == ">=")


def _structured(text: str) -> Value:
    found = _RANGE.fullmatch(text)
    if found:
        low, high = Decimal(found[1]), Decimal(found[2])
        if low <= high:
            return Between(low, high, low_included=True, high_included=True)
        return Unreadable(text, f"the range {text} runs backwards")
    if text.startswith("<>"):
        return Unreadable(text, f"{text} says only what the value is not")
    return Words(text)  # a titre 1:160, a ratio 1/2, a category 2+


def read_titer(text: str) -> Titer | TiterBetween | None:
    """Return a dilution, plain or censored, None for anything else.

    A titer is sent as SN ``^1^:^160`` (v2.5.1 section 2.A.70) or as text.
    """
    found = _TITER.fullmatch(text)
    if not found:
        return None
    sign, bound = found[1] or "=", Decimal(found[2])
    if sign == "=":
        return Titer(bound)
    if sign[0] == "<":
        return TiterBetween(None, bound, high_included=sign == "<=")
    return TiterBetween(bound, None, low_included=sign == ">=")


def value_text(value: Value, decimals: int | None = None) -> str:
    """Return a value as a person reads it; `decimals` rounds half away from zero.

    Without `decimals` a number keeps the digits it was written with: 5.10 is not 5.1.
    """
    titer = isinstance(value, Titer | TiterBetween)
    before, decimals = (TITER, None) if titer else ("", decimals)
    match value:
        case Number(number):
            return before + _digits(number, decimals)
        case Between(None, high) if high is not None:
            return f"{'<=' if value.high_included else '<'}{before}{_digits(high, decimals)}"
        case Between(low, None) if low is not None:
            return f"{'>=' if value.low_included else '>'}{before}{_digits(low, decimals)}"
        case Between(low, high) if low is not None and high is not None:
            return f"{_digits(low, decimals)}-{_digits(high, decimals)}"
        case Words(text) | Unreadable(text):
            return text
    return ""


def _digits(number: Decimal, decimals: int | None) -> str:
    if decimals is not None:
        number = number.quantize(Decimal(1).scaleb(-decimals), context=_PLENTY)
    return format(number, "f")

"""What may be done with a dilution: it is compared with dilutions, and divided by one.

1:160 against 1:40 is a fourfold rise. Sums, means and differences of dilutions say nothing.
"""

from decimal import Decimal

from verifier.facts.values import TITER
from verifier.language import kinds, tree
from verifier.language.findings import Findings
from verifier.language.scene import plain
from verifier.language.source import Span
from verifier.language.typed import Typed

FOLD = "ana / previous(ana within 30 days) >= 4"


def apart(found: Typed, target: Typed, findings: Findings) -> bool:
    """Return whether one is a titer and the other is not, which is noted."""
    if found.kind.is_titer is target.kind.is_titer:
        return False
    literal, other = (target, found) if found.kind.is_titer else (found, target)
    if other.constant is not None and literal.constant is None:
        literal, other = other, literal
    name = other.label or "the other side"
    fix = f"write a number in {other.kind.unit}" if other.kind.unit else "write a plain number"
    if other.kind.is_titer:
        fix = _as_titer(literal.constant) if literal.kind.bare else "write a titer such as 1:160"
    refuse(
        findings, literal.span,
        f"{name} is {_said(other.kind)}, {findings.words(literal.span)} is not",
        "a titer stands only beside titers.", fix,
    )  # fmt: skip
    return True


def number_apart(
    amount: tree.Amount, kind: kinds.Kind, findings: Findings, whose: str = "the test"
) -> bool:
    """Return whether a number is no titer where it must be one, or the reverse: noted."""
    if (amount.unit == TITER) is kind.is_titer:
        return False
    fix = f"write a number in {kind.unit}" if kind.unit else "write a plain number"
    if kind.is_titer:
        fix = _as_titer(amount.value) if amount.unit is None else "write a titer such as 1:160"
    refuse(
        findings, amount.span, f"{whose} is {_said(kind)}, {findings.words(amount.span)} is not",
        "a titer stands only beside titers.", fix,
    )  # fmt: skip
    return True


def worked(parts: list[Typed], what: str, span: Span, findings: Findings) -> bool:
    """Return whether one of the parts is a titer, which can not be worked with: noted."""
    if not any(part.kind.is_titer for part in parts):
        return False
    refuse(findings, span, f"titers have no {what}", "dilutions go in multiples, not in steps.")
    return True


def refuse(findings: Findings, span: Span, message: str, meaning: str, fix: str = FOLD) -> None:
    """Note something that titers are not for."""
    findings.add("R211", span, message, meaning=meaning, fix=fix)


def _as_titer(value: Decimal | bool | None) -> str:
    whole = isinstance(value, Decimal) and value > 0 and value == value.to_integral_value()
    return plain(value, TITER) if isinstance(value, Decimal) and whole else "1:160"


def _said(kind: kinds.Kind) -> str:
    return kinds.shown(kind) if kind.is_titer or not kind.unit else f"in {kind.unit}"

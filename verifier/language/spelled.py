"""Writes expressions out, one spelling for one meaning, whatever the spacing was."""

from verifier.facts.units import parse_unit
from verifier.facts.values import TITER
from verifier.language import tree
from verifier.language.kinds import singular
from verifier.language.scene import plain

_LOOSEST_FIRST = ("or", "and", "not", "compare", "+", "*", "unary", "atom")


def spelled(node: tree.Expression) -> str:
    """Return an expression as text, with the brackets it needs."""
    return _spell(node)[0]


def _spell(node: tree.Expression) -> tuple[str, str]:
    """Return the text, and how loosely it binds."""
    match node:
        case tree.Amount(value=value, unit=unit) if unit == TITER:
            return plain(value, TITER), "atom"
        case tree.Amount(value=value, unit=unit):
            return f"{plain(value)}{_unit(unit, plain(value))}", "atom"
        case tree.Name(name=name):
            return name, "atom"
        case tree.TheResult():
            return "result", "atom"
        case tree.Age(in_years=in_years):
            return "age in years" if in_years else "age", "atom"
        case tree.SpecimenAge():
            return "specimen age", "atom"
        case tree.Preceding(test=test):
            return f"preceding({test or 'result'})", "atom"
        case tree.Arithmetic(operator=sign, left=left, right=right):
            level = "+" if sign in "+-" else "*"
            tighter = "*" if level == "+" else "unary"
            return f"{_within(left, level)} {sign} {_within(right, tighter)}", level
        case tree.Negative(operand=operand):
            return f"-{_within(operand, 'unary')}", "unary"
        case tree.Call(function=function, arguments=arguments):
            return f"{function}({', '.join(spelled(item) for item in arguments)})", "atom"
        case tree.Choose(condition=condition, then=then, otherwise=otherwise):
            parts = spelled(condition), spelled(then), spelled(otherwise)
            return "(if {} then {} else {})".format(*parts), "atom"
        case tree.History(function=function, test=test, window=window):
            return f"{function}({test or 'result'} within {spelled(window)})", "atom"
        case tree.ReferenceChange(analytical=own, within_subject=other, level=level):
            variations = f"analytical {spelled(own)}, within-subject {spelled(other)}"
            lead, end = "lognormal " * node.lognormal, " one-sided" * node.one_sided
            return f"{lead}rcv({variations}, {spelled(level)}{end})", "atom"
        case _:
            return _condition(node)


def _condition(node: tree.Expression) -> tuple[str, str]:
    match node:
        case tree.Compare(operator=sign, left=left, right=right):
            return f"{_within(left, '+')} {sign} {_within(right, '+')}", "compare"
        case tree.IsBetween(operand=operand, low=low, high=high):
            ends = f"{_within(low, '+')} and {_within(high, '+')}"
            return f"{_within(operand, '+')} is between {ends}", "compare"
        case tree.IsKnown(operand=operand):
            return f"{_within(operand, '+')} is known", "compare"
        case tree.LimitTest(operand=operand, kind=kind):
            words = "critical" if kind == "critical" else f"outside {kind}"
            return f"{_within(operand, '+')} is {words}", "compare"
        case tree.ChangedTooMuch(operand=operand):
            return f"{_within(operand, '+')} changed too much", "compare"
        case tree.ControlIs(operand=operand, state=state):
            return f"{_within(operand, '+')} is {state}", "compare"
        case tree.SexIs(sex=sex):
            return f"sex is {sex}", "compare"
        case tree.SpecimenIs(type=kind):
            return f"specimen is {kind}", "compare"
        case tree.AttributeIs(attribute=name, value=value):
            return f'attribute {name} is "{value}"', "compare"
        case tree.AllOf(parts=parts):
            return " and ".join(_within(part, "not") for part in parts), "and"
        case tree.AnyOf(parts=parts):
            return " or ".join(_within(part, "and") for part in parts), "or"
        case tree.Not(operand=operand):
            return f"not {_within(operand, 'not')}", "not"
        case _:
            raise TypeError(f"no spelling for {type(node).__name__}")


def _within(node: tree.Expression, level: str) -> str:
    text, binds = _spell(node)
    loose = _LOOSEST_FIRST.index(binds) < _LOOSEST_FIRST.index(level)
    return f"({text})" if loose else text


def _unit(unit: str | None, number: str) -> str:
    if unit is None:
        return ""
    word = singular(unit)
    if word != unit or singular(f"{unit}s") == unit:
        return f" {word}" if number == "1" else f" {word}s"
    return f" {parse_unit(unit) or unit}"

"""Truths for the solver: Python's own where they are settled, and pairs for three values."""

from collections.abc import Iterable
from typing import Any, NamedTuple, TypeAlias

import z3

Bool: TypeAlias = Any  # a bool, or a formula of the solver, which is not typed


class Truth(NamedTuple):
    """A condition: `yes` where it is certainly true, `no` where certainly false; else unknown."""

    yes: Bool
    no: Bool


TRUE, FALSE, UNKNOWN = Truth(True, False), Truth(False, True), Truth(False, False)


def every(parts: Iterable[Bool]) -> Bool:
    """Return *and* of formulas."""
    kept = []
    for part in parts:
        if part is False:
            return False
        if part is not True:
            kept.append(part)
    if len(kept) < 2:
        return kept[0] if kept else True
    return z3.And(kept)


def some(parts: Iterable[Bool]) -> Bool:
    """Return *or* of formulas."""
    kept = []
    for part in parts:
        if part is True:
            return True
        if part is not False:
            kept.append(part)
    if len(kept) < 2:
        return kept[0] if kept else False
    return z3.Or(kept)


def negated(part: Bool) -> Bool:
    """Return *not* of a formula."""
    return not part if isinstance(part, bool) else z3.Not(part)


def follows(condition: Bool, conclusion: Bool) -> Bool:
    """Return *if … then* of formulas."""
    return some((negated(condition), conclusion))


def chosen(condition: Bool, then: Any, otherwise: Any) -> Any:
    """Return one of two numbers or formulas."""
    if isinstance(condition, bool):
        return then if condition else otherwise
    if then is otherwise or (isinstance(then, bool) and then == otherwise):
        return then
    if isinstance(then, bool) or isinstance(otherwise, bool) or z3.is_bool(then):
        return some((every((condition, then)), every((negated(condition), otherwise))))
    return z3.If(condition, then, otherwise)


def all_of(parts: Iterable[Truth]) -> Truth:
    """Return Kleene *and*."""
    found = list(parts)
    return Truth(every(part.yes for part in found), some(part.no for part in found))


def any_of(parts: Iterable[Truth]) -> Truth:
    """Return Kleene *or*."""
    found = list(parts)
    return Truth(some(part.yes for part in found), every(part.no for part in found))


def opposite(truth: Truth) -> Truth:
    """Return Kleene *not*."""
    return Truth(truth.no, truth.yes)


def certain(formula: Bool) -> Truth:
    """Return a condition that is never unknown."""
    return Truth(formula, negated(formula))


def where_known(known: Bool, formula: Bool) -> Truth:
    """Return a condition that is unknown unless `known`."""
    return Truth(every((known, formula)), every((known, negated(formula))))


def unsettled(truth: Truth) -> Bool:
    """Return where a condition is neither true nor false."""
    return every((negated(truth.yes), negated(truth.no)))

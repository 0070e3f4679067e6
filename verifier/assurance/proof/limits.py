"""Limit tables for the solver."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from verifier.assurance.proof.quantities import Quantity, inside
from verifier.assurance.proof.reals import Value, literal, scaled
from verifier.assurance.proof.truths import (
    FALSE,
    Bool,
    Truth,
    all_of,
    any_of,
    every,
    opposite,
    some,
    where_known,
)
from verifier.assurance.proof.typed import Place
from verifier.language import tree
from verifier.language.changes import ChangeLimit

if TYPE_CHECKING:
    from verifier.assurance.proof.walk import Walk


class Limits:
    """The part of the walk that asks limit tables."""

    def __init__(self, walk: Walk) -> None:
        self._walk, self._tables = walk, walk.names.program.tables
        self._known: dict[tuple[str, str], tuple[Quantity, Truth]] = {}

    def test(self, node: tree.LimitTest, place: Place) -> Truth:
        """Return whether a result is critical, or outside the rows of another kind."""
        name, value = self._operand(node.operand, place)
        known = self._known.get((name, node.kind))
        if known is None or known[0] is not value:
            known = self._known[name, node.kind] = value, self._asked(name, node.kind, value)
        return known[1]

    def _asked(self, name: str, kind: str, value: Quantity) -> Truth:
        rows = self._tables.rows.get((name, kind))
        if not rows:
            return FALSE
        fitting, found = [], []
        for row in rows:
            belongs = self._walk.population(row.population)
            hit = inside(self._walk.reals, value, row.stretches)
            fitting.append(belongs)
            found.append(all_of((belongs, hit if kind == "critical" else opposite(hit))))
        return _of_rows(fitting, found)

    def changed(self, node: tree.ChangedTooMuch, place: Place) -> Truth:
        """Return whether a result changed by more than a limit allows."""
        name, value = self._operand(node.operand, place)
        rows = self._tables.changes.get(name)
        if not rows:
            return FALSE
        fitting = [self._walk.population(row.population) for row in rows]
        found = [
            all_of((belongs, self._beyond(row, name, value)))
            for belongs, row in zip(fitting, rows, strict=True)
        ]
        return _of_rows(fitting, found)

    def _operand(self, node: tree.Expression, place: Place) -> tuple[str, Quantity]:
        if isinstance(node, tree.Name):
            return node.name, self._walk.typed(node, place).quantity
        return place.test, place.result

    def _beyond(self, row: ChangeLimit, name: str, value: Quantity) -> Truth:
        walk = self._walk
        if name not in walk.names.tests:
            return Truth(False, False)  # only measured results have a past
        before = walk.facts.previous(name, row.window)
        known = every((value.exact, before.exact))
        if row.measure == "factor":
            return self._beyond_factor(known, value.value, before.value, row)
        reals = walk.reals
        moved = reals.size(reals.sum(value.value, before.value, -1))
        most = literal(row.most)
        if row.measure == "percent":
            moved = Value(scaled(moved.above, Fraction(100)), moved.below)
            most = reals.times(most, reals.size(before.value))
        if row.each is not None:
            per = Fraction(row.each) / 1_000_000  # microseconds
            moved = Value(scaled(moved.above, per), moved.below)
            most = reals.times(most, Value(walk.facts.earlier(name).ago))
        return where_known(known, reals.compare(">", moved, most))

    def _beyond_factor(self, known: Bool, now: Value, before: Value, row: ChangeLimit) -> Truth:
        reals, zero = self._walk.reals, literal(0)
        possible = every(reals.compare(">=", value, zero) for value in (now, before))
        factor = literal(row.most)
        beyond = some(
            reals.compare(">", high, reals.times(low, factor))
            for high, low in ((now, before), (before, now))
        )
        return where_known(every((known, possible)), beyond)


def _of_rows(fitting: list[Truth], found: list[Truth]) -> Truth:
    """Return what rows say together: nothing certain unless one certainly fits."""
    hit = any_of(found)
    return Truth(hit.yes, every((hit.no, some(row.yes for row in fitting))))

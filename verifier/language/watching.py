"""Watching the compiled evaluator at work: for coverage, and for nothing that judges results.

A watch is given every condition as it is compiled and returns the closure that stands in its place.
There is one evaluator; a rule set compiled without a watch holds no trace of this.
"""

from dataclasses import replace
from typing import Protocol

from verifier.language import tree
from verifier.language.comparing import Test
from verifier.language.typed import Typed


class Watch(Protocol):
    """Sees every condition as it is compiled."""

    def __call__(self, node: tree.Expression, test: str, run: Test) -> Test:
        """Return what stands in place of `run`; `test` is the test of `result`, or ""."""


def watched(watch: Watch, node: tree.Expression, test: str, found: Typed) -> Typed:
    """Return a condition as the watch wants it run; without its sketch, or nobody would see it."""
    if found.kind.what != "truth":
        return found
    return replace(found, run=watch(node, test, found.run), sketch=None)

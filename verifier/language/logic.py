"""Closures of three-valued logic over conditions."""

from collections.abc import Sequence

from verifier.language.comparing import Test
from verifier.language.scene import Scene
from verifier.language.truth import Truth, Unknown, merged, opposite


def every(parts: Sequence[Test]) -> Test:
    """Return *and*: the first certain no settles it."""
    tests = tuple(parts)

    def run(scene: Scene) -> Truth:
        unknown: Unknown | None = None
        for test in tests:
            truth = test(scene)
            if truth is False:
                return False
            if truth is not True:
                unknown = _with(unknown, truth)
        return True if unknown is None else unknown

    return run


def some(parts: Sequence[Test]) -> Test:
    """Return *or*: the first certain yes settles it."""
    tests = tuple(parts)

    def run(scene: Scene) -> Truth:
        unknown: Unknown | None = None
        for test in tests:
            truth = test(scene)
            if truth is True:
                return True
            if truth is not False:
                unknown = _with(unknown, truth)
        return False if unknown is None else unknown

    return run


def negated(test: Test) -> Test:
    """Return *not*: unknown stays unknown."""
    return lambda scene: opposite(test(scene))


def _with(unknown: Unknown | None, truth: Truth) -> Unknown:
    assert isinstance(truth, Unknown)
    return truth if unknown is None else merged(unknown, truth)

"""Runs edge cases through the real decision and compares what every limit said with what it must.

What a limit says is seen where a rule asks for it (`result is critical`), and for critical and
reference limits in the flag of the result as well.
"""

from collections.abc import Callable, Sequence
from typing import TypeAlias

from msgspec import Struct

from verifier.assurance.edges import EdgeCase
from verifier.assurance.running import Heard, steps_of
from verifier.assurance.watching import Recorder, limit_asked
from verifier.language import tree
from verifier.language.program import Program

Progress: TypeAlias = Callable[[str, int, int], None]  # what is done, how much of it, of how much


def quiet(what: str, done: int, of: int) -> None:
    """Tell nobody how far it is."""


_CRITICAL_FLAGS = {"HH", "LL", "AA"}


class EdgeRun(Struct, frozen=True):
    """An edge case after it was run.

    `answers` are the different answers that were seen, empty where no rule asks for the limit of
    this test (or the case could not be made).
    """

    case: EdgeCase
    answers: frozenset[bool | None]

    @property
    def asked(self) -> bool:
        """Whether anything asked for the limit."""
        return bool(self.answers)

    @property
    def passed(self) -> bool:
        """Whether nothing was said but what is expected."""
        return self.answers <= {self.case.expected}


def run_edges(
    program: Program, recorder: Recorder, cases: Sequence[EdgeCase], tell: Progress = quiet
) -> tuple[EdgeRun, ...]:
    """Run edge cases; `recorder` is the watch the program was compiled with."""
    flagging = frozenset(
        item.name.text
        for item in program.statements
        if isinstance(item, tree.Rule) and any(effect.what == "flag" for effect in item.effects)
    )
    runs = []
    for number, case in enumerate(cases, start=1):
        runs.append(_run(program, recorder, case, flagging))
        tell("edge cases", number, len(cases))
    return tuple(runs)


def _run(
    program: Program,
    recorder: Recorder,
    case: EdgeCase,
    flagging: frozenset[str],
) -> EdgeRun:
    if case.step is None:
        return EdgeRun(case, frozenset())
    recorder.taken()
    (heard,) = steps_of(program, (case.step,))
    answers = {
        said.truth
        for said in recorder.taken()
        if limit_asked(recorder.conditions[said.key], said.test) == (case.test, case.kind)
    }
    if not heard.fired & flagging:
        answers |= _flagged(case, heard)
    return EdgeRun(case, frozenset(answers))


def _flagged(case: EdgeCase, heard: Heard) -> set[bool | None]:
    if case.test not in heard.stands:
        return set()  # worked out, and not reported
    flag = heard.stands[case.test].flag
    if case.kind == "critical":
        return {flag in _CRITICAL_FLAGS}
    if case.kind == "reference":
        return {flag != "N"}
    return set()

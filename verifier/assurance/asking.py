"""Runs edge cases through the real decision and compares what every limit said with what it must.

What a limit says is seen where a rule asks for it (`result is critical`), and for critical and
reference limits in the flag of the result as well.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import TypeAlias

from msgspec import Struct

from verifier.assurance.edges import EdgeCase
from verifier.assurance.running import Heard, steps_of
from verifier.assurance.watching import Key, Recorder, Said
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
    asking = _asking(recorder.conditions)
    flagging = frozenset(
        item.name.text
        for item in program.statements
        if isinstance(item, tree.Rule) and any(effect.what == "flag" for effect in item.effects)
    )
    runs = []
    for number, case in enumerate(cases, start=1):
        runs.append(_run(program, recorder, case, asking, flagging))
        tell("edge cases", number, len(cases))
    return tuple(runs)


def _run(
    program: Program,
    recorder: Recorder,
    case: EdgeCase,
    asking: Mapping[Key, tuple[str, str]],
    flagging: frozenset[str],
) -> EdgeRun:
    if case.step is None:
        return EdgeRun(case, frozenset())
    recorder.taken()
    (heard,) = steps_of(program, (case.step,))
    answers = {
        said.truth for said in recorder.taken() if _about(said, asking) == (case.test, case.kind)
    }
    if not heard.fired & flagging:
        answers |= _flagged(case, heard)
    return EdgeRun(case, frozenset(answers))


def _asking(conditions: Mapping[Key, tree.Expression]) -> dict[Key, tuple[str, str]]:
    """Return the conditions that ask for a limit, with the test ("" is `result`) and the kind."""
    found = {}
    for key, node in conditions.items():
        if isinstance(node, tree.LimitTest | tree.ChangedTooMuch):
            named = node.operand.name if isinstance(node.operand, tree.Name) else ""
            found[key] = (named, node.kind if isinstance(node, tree.LimitTest) else "change")
    return found


def _about(said: Said, asking: Mapping[Key, tuple[str, str]]) -> tuple[str, str] | None:
    found = asking.get(said.key)
    return (found[0] or said.test, found[1]) if found else None


def _flagged(case: EdgeCase, heard: Heard) -> set[bool | None]:
    if case.test not in heard.stands:
        return set()  # worked out, and not reported
    flag = heard.stands[case.test].flag
    if case.kind == "critical":
        return {flag in _CRITICAL_FLAGS}
    if case.kind == "reference":
        return {flag != "N"}
    return set()

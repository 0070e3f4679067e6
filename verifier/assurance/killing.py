"""Runs the tests of a rule set on its mutants: what notices a mistake, and what would."""

from collections.abc import Iterator, Mapping
from functools import cached_property
from typing import Literal

from msgspec import Struct

from verifier.assurance.asking import run_edges
from verifier.assurance.edges import EdgeCase
from verifier.assurance.mutants import Mutant, mutants_of, mutated
from verifier.assurance.persons import Persons
from verifier.assurance.probing import Probes
from verifier.assurance.running import Heard, run_scenario, steps_of
from verifier.assurance.suite import edge_cases
from verifier.assurance.watching import Recorder
from verifier.assurance.writing import given, scenario
from verifier.facts.verdicts import ResultDecision
from verifier.language import tree
from verifier.language.memory import Memory
from verifier.language.program import Program
from verifier.language.reader import Known
from verifier.language.ruleset import check
from verifier.language.scenarios import CheckedScenario, ScenarioStep
from verifier.language.source import Source, Span

Fate = Literal["scenario", "edge case", "refused", "same", "survived"]
FATES: tuple[Fate, ...] = ("scenario", "edge case", "refused", "same", "survived")
_ADDED = "a scenario to add"  # the name of a file no rule set has
_SAID = {"release": "released", "hold": "held", "wait": "waits"}


class Verdict(Struct, frozen=True):
    """What became of a mutant.

    `fate` is what noticed it; ``refused``: the checker does not let it be used; ``same``: it is
    proven to mean the same, `why` says how; ``survived``: nothing noticed. `noticed_by` names the
    scenario or edge case. `scenario` is one that would notice it, run on both, "" if none was
    found.
    """

    mutant: Mutant
    fate: Fate
    noticed_by: str = ""
    scenario: str = ""
    why: str = ""


class Tests:
    """The scenarios and edge cases of a rule set without errors, ready to run on its mutants."""

    __test__ = False  # no test case, whatever its name says

    def __init__(self, files: Mapping[str, str], seed: int = 0) -> None:
        self._files, self._seed = dict(files), seed
        self._recorder = Recorder()
        self._known: Known = {}
        self._memory = Memory()
        program = check(files, watch=self._recorder, known=self._known).program
        assert program is not None, "only a rule set without errors has mutants"
        self._program = program
        self._sources = {name: Source(name, text) for name, text in files.items()}
        self._met = {item.name: _met(program, item) for item in program.scenarios}

    @cached_property
    def mutants(self) -> list[Mutant]:
        """Every mutant, in the order of the files."""
        return mutants_of(self._program, self._sources)

    @cached_property
    def _edges(self) -> list[EdgeCase]:
        return [case for case in edge_cases(self._program, self._sources) if case.step]

    @cached_property
    def _plain(self) -> Program:
        program = check(self._files, known=self._known).program
        assert program is not None
        return program

    def _compiled(self, files: Mapping[str, str], watch: Recorder | None = None) -> Program | None:
        """Return the program of some files; only what was changed of them is read and compiled."""
        known = dict(self._known)
        return check(files, watch=watch, known=known, memory=self._memory).program

    @cached_property
    def _probes(self) -> Probes:
        return Probes(self._plain, Persons(self._plain), self._seed)

    def judge(self, mutant: Mutant) -> Verdict:
        """Return what notices a mutant, or a scenario that would."""
        files, recorder = mutated(self._files, mutant), Recorder()
        program = self._compiled(files, recorder if mutant.moves_limits else None)
        if program is None:
            return Verdict(mutant, "refused")
        if program.identity == self._program.identity:
            return Verdict(mutant, "same", why="the rule set keeps its identity")
        for item in program.scenarios:
            if _met(program, item) != self._met[item.name]:
                return Verdict(mutant, "scenario", item.name)
        noticed = self._noticed_at_an_edge(mutant, program, recorder)
        if noticed:
            return Verdict(mutant, "edge case", noticed)
        why = self._asked_by_nobody(mutant)
        if why:
            return Verdict(mutant, "same", why=why)
        return Verdict(mutant, "survived", scenario=self._would_notice(mutant, program, files))

    # --- edge cases ---

    def _noticed_at_an_edge(self, mutant: Mutant, program: Program, recorder: Recorder) -> str:
        if not mutant.moves_limits:
            return ""
        cases = self._edges
        if any(item.span == mutant.statement for item in self._limits()):
            cases = [case for case in cases if _inside(mutant.place, case.place)]
        for run in run_edges(program, recorder, cases):
            if not run.passed and run.case.step:
                return given(program.catalogue, run.case.step)
        return ""

    def _limits(self) -> Iterator[tree.Limits]:
        yield from (item for item in self._program.statements if isinstance(item, tree.Limits))

    def _asked_by_nobody(self, mutant: Mutant) -> str:
        """Return why a limit row can not matter: no condition asks for it, and it sets no flag."""
        for item in self._limits():
            for row in item.rows:
                kind = "change" if isinstance(row, tree.ChangeRow) else row.kind
                if not _inside(mutant.place, row.span) or kind in ("critical", "reference"):
                    continue
                if all((word.text, kind) not in self._recorder.asked for word in item.tests):
                    return "no condition asks for this limit, and it sets no flag"
        return ""

    # --- what would notice it ---

    def _would_notice(self, mutant: Mutant, program: Program, files: Mapping[str, str]) -> str:
        statement = next(i for i in self._plain.statements if i.span == mutant.statement)
        for step in self._probes.of(statement):
            (before,), (after,) = steps_of(self._plain, (step,)), steps_of(program, (step,))
            for expected in _differing(before, after):
                text = self._written(step, expected)
                if self._tells_apart(text, files):
                    return text
        return ""

    def _written(self, step: ScenarioStep, expected: str) -> str:
        """Return a scenario named after what it gives and expects, as nobody has named one yet."""
        name = f"{given(self._program.catalogue, step)}: {expected}".replace('"', "")
        while any(item.name == name for item in self._program.scenarios):
            name += ", again"
        return scenario(self._program.catalogue, name, [step], {0: [expected]})

    def _tells_apart(self, text: str, files: Mapping[str, str]) -> bool:
        """Return whether a scenario as it is written holds before the mistake, and not after."""
        return self._holds(self._files, text) is True and self._holds(files, text) is False

    def _holds(self, files: Mapping[str, str], text: str) -> bool | None:
        """Return whether a scenario holds beside some files, None where it can not be read."""
        program = self._compiled({**files, _ADDED: text})
        if program is None:
            return None
        places = ((item, item.place) for item in program.scenarios)
        (added,) = (item for item, place in places if place and place.file == _ADDED)
        return run_scenario(program, added).passed


def _met(program: Program, item: CheckedScenario) -> tuple[bool, ...]:
    return tuple(answer.met for answer in run_scenario(program, item).answers)


def _differing(before: Heard, after: Heard) -> Iterator[str]:
    """Yield expectations that are true of the first and not of the second."""
    for name, item in before.stands.items():
        other = after.stands.get(name)
        if other is None or (item.outcome != other.outcome and item.outcome != "hold"):
            yield f"{name} {_SAID[item.outcome]}"
            continue
        rules, others = _rules(item), _rules(other)
        if item.outcome == "hold" and rules - others:
            yield f"{name} held by {min(rules - others)}"
        elif item.outcome != other.outcome:
            yield f"{name} {_SAID[item.outcome]}"
        if bool(item.instead) > bool(other.instead):
            yield f"{name} suppressed"
        if item.flag and item.flag != other.flag:
            yield f'{name} flagged "{item.flag}"'
    for rule in sorted(before.fired - after.fired):
        yield f"{rule} fired"
    for rule in sorted(after.fired - before.fired):
        yield f"{rule} not fired"


def _rules(item: ResultDecision) -> set[str]:
    return {reason.rule for reason in item.reasons if ":" not in reason.rule}


def _inside(span: Span, other: Span) -> bool:
    return span.file == other.file and other.start <= span.start and span.end <= other.end

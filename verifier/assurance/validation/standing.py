"""What stands out of the evidence: counted, and listed in full."""

from collections import Counter
from collections.abc import Iterator
from functools import cached_property

from verifier.assurance.validation.evidence import Evidence, counted, several
from verifier.documents.document import Cell, Tone
from verifier.language import tree
from verifier.language.limitlist import LimitLine, limit_lines
from verifier.language.sentences import Sentences

_DOUBTFUL = (("no source", "say of themselves that there is no source"),
             ("from memory", "give their source from memory"))  # fmt: skip
_SHOWN = 6


class Standing:
    """The evidence with what a reader asks of it; worked out once."""

    def __init__(self, evidence: Evidence) -> None:
        self.evidence, self.tested = evidence, evidence.tested
        self.program, self.sources = self.tested.program, self.tested.sources

    @cached_property
    def rules(self) -> list[tree.Rule]:
        """Every rule, by name."""
        found = [item for item in self.program.statements if isinstance(item, tree.Rule)]
        return sorted(found, key=lambda rule: rule.name.text)

    @cached_property
    def derived(self) -> list[tree.Derive]:
        """Every derived result, by name."""
        found = [item for item in self.program.statements if isinstance(item, tree.Derive)]
        return sorted(found, key=lambda item: item.name.text)

    @cached_property
    def sentences(self) -> Sentences:
        """What says in sentences what statements do."""
        return Sentences(self.program)

    @cached_property
    def limits(self) -> list[LimitLine]:
        """Every limit, by test."""
        return limit_lines(self.program)

    @cached_property
    def unanswered(self) -> int:
        """How many edge cases nothing was said of."""
        return sum(not run.asked for run in self.tested.edges)

    def sources_in_doubt(self) -> Iterator[tuple[str, int]]:
        """Yield how many limits, rules, derived results and parameters have a doubtful source."""
        texts = [line.source for line in self.limits]
        texts += [rule.source for rule in self.program.rules]
        texts += [item.source for item in self.derived]
        texts += [item.source for item in self.program.parameters]
        for sign, words in _DOUBTFUL:
            count = sum(sign in text for text in texts)
            if count:
                yield words, count
        missing = sum(not text for text in texts)
        if missing:
            yield "have no source", missing

    def first_looks(self) -> Iterator[Cell | str]:
        """Yield what a director must look at before signing, the worst first."""
        yield from self._failures()
        yield from self._not_tested()
        yield from self._mistakes()
        evidence = self.evidence
        for name, item in (
            ("Guarantees", evidence.proofs),
            ("Replay over stored history", evidence.replay),
            ("Approval", evidence.approvals),
        ):
            yield Cell(f"{name}: {item.standing}.", "bad" if item.look else "")
        for words, count in self.sources_in_doubt():
            yield f"Sources: {several(count, 'statement')} {words}. Each is marked in its table."
        if evidence.findings:
            told = several(len(evidence.findings), "remark")
            yield f"Remarks of the checker that do not forbid the rule set: {told}."
        yield (
            "No program can say whether these limits fit your patients, methods and analyzers: "
            "that is what the signatures are for."
        )

    def _failures(self) -> Iterator[Cell | str]:
        tested = self.tested
        failed = [ran.scenario.name for ran in tested.ran if not ran.passed]
        if not tested.ran:
            yield Cell("There are no scenarios: nothing says what these rules should do.", "bad")
        elif failed:
            more = f" and {len(failed) - _SHOWN} more" if len(failed) > _SHOWN else ""
            names = "; ".join(failed[:_SHOWN])
            yield Cell(f"Scenarios that FAIL: {len(failed)}. {names}{more}.", "bad")
        else:
            yield f"Scenarios that come true: {counted(len(tested.ran), len(tested.ran))}."
        wrong = tested.failed_edges
        if wrong:
            tests = ", ".join(sorted({run.case.test for run in wrong}))
            yield Cell(f"Edge cases decided otherwise than written: {len(wrong)} ({tests}).", "bad")
        passed = len(tested.edges) - self.unanswered - len(wrong)
        yield f"Edge cases decided as the limit is written: {counted(passed, len(tested.edges))}."

    def _not_tested(self) -> Iterator[Cell | str]:
        if self.unanswered:
            tests = ", ".join(sorted({r.case.test for r in self.tested.edges if not r.asked}))
            yield Cell(f"Edge cases WITHOUT AN ANSWER: {self.unanswered} ({tests}).", "bad")
        items = self.tested.coverage.items
        missing = len(self.tested.coverage.missing)
        if missing:
            told = f"NOT TESTED: {missing} of {len(items)} things to cover"
            yield Cell(f"{told}, counted in the table below and listed in section 2.", "bad")
        else:
            yield "Every rule, every part of a condition and every limit edge was tested."

    def _mistakes(self) -> Iterator[Cell | str]:
        verdicts = self.evidence.verdicts
        if verdicts is None:
            yield Cell("Small mistakes put into the rules: not run.", "bad")
            return
        count = Counter(verdict.fate for verdict in verdicts)
        ran = f"{counted(len(verdicts), self.evidence.mistakes)} were put in"
        survived = count["survived"]
        tone: Tone = "bad" if survived or len(verdicts) < self.evidence.mistakes else ""
        yield Cell(
            f"Small mistakes put into the rules: {ran}, {survived} of them NOT NOTICED.", tone
        )

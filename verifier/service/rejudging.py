"""Judges stored decisions again from their facts, with one rule set or two."""

from collections.abc import Sequence
from functools import partial

from msgspec.structs import replace

from verifier.assurance.replay_count import Judged, Tally
from verifier.assurance.replaying import Counts, Stretch
from verifier.decide.decide import decide
from verifier.facts.case import Case
from verifier.facts.verdicts import Decision
from verifier.language.program import Program
from verifier.service.failures import named
from verifier.store.past import PastDecision
from verifier.store.store import Store
from verifier.store.transaction import Reader


class Rejudge:
    """A candidate and what it is held against; without that, against decisions as recorded."""

    def __init__(self, candidate: Program, against: Program | None, *, again: bool = False) -> None:
        """With `again` no decision of `against` is taken from the record."""
        self.candidate, self.against, self._again = candidate, against, again

    def tally(self, store: Store, cases: Sequence[int], stretch: Stretch, most: int) -> Tally:
        """Return the counts of some cases (at most `store.past.CASES_AT_ONCE`)."""
        tally = Tally(stretch, most)
        store.read(lambda reader: self.read_into(tally, reader, cases, stretch))
        return tally

    def read_into(
        self, tally: Tally, reader: Reader, cases: Sequence[int], stretch: Stretch
    ) -> None:
        """Judge some cases again and count them."""
        for case_id, rows in reader.past(cases, stretch.since, stretch.until):
            judged = [one for row in rows if (one := self.judged(row, tally.counts))]
            if judged:
                tally.take(case_id, judged, partial(reader.record, case_id))

    def judged(self, row: PastDecision, counts: Counts) -> Judged | None:
        """Return one decision judged by both sides, None when its facts were not stored."""
        facts = row.case()
        if facts is None:
            counts.without_facts += 1
            return None
        after, failure = _tried(facts, self.candidate)
        before = self._before(row, facts, after, counts)
        return Judged(row.id, facts, before, after, failure)

    def _before(
        self, row: PastDecision, facts: Case, after: Decision | None, counts: Counts
    ) -> Decision:
        known = self.against is None or row.rule_set == self.against.identity
        if self.against is None or (known and not self._again):
            # Most decisions stay as they were: packing is quicker than unpacking.
            same = after and replace(after, rule_set=row.rule_set)
            return same if same and row.says(same) else row.decision()
        before, _ = _tried(facts, self.against)
        if known:
            reproduced = before is not None and row.says(before)
            counts.reproduced += reproduced
            counts.not_reproduced += not reproduced
        return before or row.decision()


def _tried(facts: Case, program: Program) -> tuple[Decision | None, str]:
    """Return the decision, or None and what went wrong: no failure may end the whole."""
    try:
        return decide(facts, program), ""
    except Exception as error:
        return None, named(error)

"""Judges stored decisions again from their facts, with one rule set or two."""

from collections.abc import Callable, Sequence
from functools import lru_cache, partial

from msgspec.structs import replace

from verifier.assurance.replay_count import Judged, Tally
from verifier.assurance.replaying import Counts, Stretch
from verifier.decide.decide import decide
from verifier.errors import StoreError
from verifier.facts.case import Case, CaseRecord
from verifier.facts.verdicts import Decision
from verifier.language.program import Program
from verifier.service.failures import named
from verifier.service.pastfacts import PastFacts, Site
from verifier.store.past import PastDecision
from verifier.store.store import Store
from verifier.store.transaction import Reader

Record = Callable[[], CaseRecord | None]


class Judging:
    """One rule set and the facts as it reads them."""

    def __init__(self, program: Program, kept: Program, site: Site) -> None:
        self.program = program
        self._facts = PastFacts(program, kept, site)

    def decide(self, row: PastDecision, case: Case, record: Record) -> tuple[Decision | None, str]:
        """Return the decision, or None and what went wrong: no failure may end the whole."""
        try:
            return decide(self._facts.of(row.rule_set, case, record), self.program), ""
        except Exception as error:
            return None, named(error)


class Rejudge:
    """A candidate and what it is held against; without that, against decisions as recorded."""

    def __init__(
        self, candidate: Program, against: Program | None, kept: Program, site: Site, *,
        again: bool = False,
    ) -> None:  # fmt: skip
        """`kept` is the rule set that most of history was read with.

        With `again` no decision of `against` is taken from the record.
        """
        self.candidate, self.against, self.kept, self._again = candidate, against, kept, again
        self._new = Judging(candidate, kept, site)
        self._old = None if against is None else Judging(against, kept, site)

    def tally(self, store: Store, cases: Sequence[int], stretch: Stretch, most: int) -> Tally:
        """Return the counts of some cases (at most `store.past.CASES_AT_ONCE`)."""
        tally = Tally(stretch, most)
        store.read(lambda reader: self._read_into(tally, reader, cases, stretch))
        return tally

    def _read_into(
        self, tally: Tally, reader: Reader, cases: Sequence[int], stretch: Stretch
    ) -> None:
        for case_id, rows in reader.past(cases, stretch.since, stretch.until):
            record = lru_cache(1)(partial(reader.record, case_id))
            judged = [one for row in rows if (one := self.judged(row, tally.counts, record))]
            if judged:
                tally.take(case_id, judged, record)

    def judged(self, row: PastDecision, counts: Counts, record: Record) -> Judged | None:
        """Return one decision judged by both sides, None when its facts can not be had."""
        try:
            facts = row.case()
        except StoreError as error:
            counts.failures[str(error)], facts = 1, None
        if facts is None:
            counts.without_facts += 1
            return None
        after, failure = self._new.decide(row, facts, record)
        before = self._before(row, facts, after, counts, record)
        return Judged(row.id, facts, before, after, failure)

    def _before(
        self, row: PastDecision, facts: Case, after: Decision | None, counts: Counts, record: Record
    ) -> Decision:
        known = self._old is None or row.rule_set == self._old.program.identity
        if self._old is None or (known and not self._again):
            # Most decisions stay as they were: packing is quicker than unpacking.
            same = after and replace(after, rule_set=row.rule_set)
            return same if same and row.says(same) else row.decision()
        before, _ = self._old.decide(row, facts, record)
        if known:
            reproduced = before is not None and row.says(before)
            counts.reproduced += reproduced
            counts.not_reproduced += not reproduced
        return before or row.decision()

"""Counting what a rule set yields on labeled messages: shares released, and every rule's record."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from verifier.assurance.yield_cases import Header, Label
from verifier.facts.verdicts import ResultDecision


@dataclass
class Share:
    """How many of how many left without a person."""

    released: int = 0
    judged: int = 0

    def add(self, released: bool) -> None:
        """Count one."""
        self.judged += 1
        self.released += released

    @property
    def percent(self) -> float:
        """Return the share in percent; 0 of nothing is 0."""
        return 100 * self.released / self.judged if self.judged else 0.0


@dataclass
class RuleRecord:
    """The record of one rule, in results.

    `fired`: held by it. `right`: of these, those with a kind it is meant for; `wrong`: the others,
    `wrong_alone` those that no other rule held. `unjudged`: held because it could not be judged.
    `missed`: meant for it and released; `left`: meant for it and held by others alone.
    """

    fired: int = 0
    right: int = 0
    wrong_alone: int = 0
    unjudged: int = 0
    missed: int = 0
    left: int = 0

    @property
    def wrong(self) -> int:
        """Return how many fired without cause."""
        return self.fired - self.right


@dataclass
class FaultRecord:
    """What became of one kind of fault.

    `specimens` carry it, `results` were touched by it, `beyond` of them by more than the allowable
    error, `critical` of them with critical consequence.
    """

    specimens: int = 0
    results: int = 0
    beyond: int = 0
    beyond_released: int = 0
    critical: int = 0
    critical_released: int = 0
    specimens_slipped: int = 0
    rules: Counter[str] = field(default_factory=Counter)


@dataclass(frozen=True)
class Slip:
    """A result with critical consequence that left without a person."""

    message: str
    specimen: str
    patients: str
    test: str
    reported: str
    true: str
    kinds: tuple[str, ...]


@dataclass(frozen=True)
class Judgement:
    """One result as it ended: its label, all kinds that count for it, and the decision."""

    label: Label
    kinds: frozenset[str]
    item: ResultDecision


class Counts:
    """Everything that is counted."""

    def __init__(self, header: Header, covers: Mapping[str, frozenset[str]]) -> None:
        """`covers` gives the tests of every rule, none for a rule of the whole specimen."""
        self.all, self.whole = Share(), Share()
        self.by_test: dict[str, Share] = {}
        self.by_class: dict[str, Share] = {}
        self.whole_by_class: dict[str, Share] = {}
        self.faults = {name: FaultRecord() for name in header.faults}
        self.rules = {name: RuleRecord() for name in covers}
        self.slips: list[Slip] = []
        self.messages = self.refused = 0
        self._aims = {rule: frozenset(kinds) for rule, kinds in header.aims.items()}
        self._faults, self._covers = frozenset(header.faults), covers
        self._meant = {
            kind: [rule for rule in covers if kind in self._aims.get(rule, ())]
            for kind in header.kinds
        }

    def specimen(
        self, group: str, kinds: Iterable[str], found: list[Judgement], where: tuple[str, str]
    ) -> None:
        """Count one specimen; `where` are the control id of the message and its identifier."""
        slipped = Counter[str]()
        for one in found:
            self._result(group, one)
            if one.label.harm == "critical" and one.item.outcome == "release":
                slipped.update(one.kinds & self._faults)
                self.slips.append(_slip(one, group, where, self._faults))
        touched = {kind for one in found for kind in one.label.kinds}
        for name in self._faults & (touched | set(kinds)):
            self.faults[name].specimens += 1
            self.faults[name].specimens_slipped += name in slipped
        free = all(one.item.outcome == "release" for one in found)
        self.whole.add(free)
        self.whole_by_class.setdefault(group, Share()).add(free)

    def _result(self, group: str, one: Judgement) -> None:
        free = one.item.outcome == "release"
        self.all.add(free)
        self.by_test.setdefault(one.item.test or one.item.title, Share()).add(free)
        self.by_class.setdefault(group, Share()).add(free)
        rules = {reason.rule for reason in one.item.reasons}
        for kind in self._faults.intersection(one.label.kinds):
            _count_fault(self.faults[kind], one, free, rules)
        if rules:
            self._fired(one, rules)
        self._meant_for(one, rules)

    def _fired(self, one: Judgement, rules: set[str]) -> None:
        unjudged = {reason.rule for reason in one.item.reasons if reason.kind == "unknown"}
        for rule in rules:
            record = self.rules.setdefault(rule, RuleRecord())
            record.fired += 1
            record.unjudged += rule in unjudged
            right = not one.kinds.isdisjoint(self._aims.get(rule, ()))
            record.right += right
            record.wrong_alone += not right and len(rules) == 1

    def _meant_for(self, one: Judgement, rules: set[str]) -> None:
        """Count what rules are meant for and did not hold; a fault without harm is no miss."""
        counted = {
            kind for kind in one.label.kinds if kind not in self._faults or one.label.harm != "none"
        }
        meant = {rule for kind in counted for rule in self._meant.get(kind, ())}
        for rule in meant - rules:
            if not self._covers[rule] or one.item.test in self._covers[rule]:
                self.rules[rule].missed += one.item.outcome == "release"
                self.rules[rule].left += one.item.outcome != "release"


def _count_fault(record: FaultRecord, one: Judgement, free: bool, rules: set[str]) -> None:
    record.results += 1
    if one.label.harm == "none":
        return
    record.beyond += 1
    record.beyond_released += free
    record.rules.update(rules)
    if one.label.harm == "critical":
        record.critical += 1
        record.critical_released += free


def _slip(one: Judgement, group: str, where: tuple[str, str], faults: frozenset[str]) -> Slip:
    reported = f"{one.item.value} {one.item.unit}".strip()
    kinds = tuple(sorted(one.kinds & faults))
    return Slip(*where, group, one.item.test, reported, one.label.true, kinds)

"""What rules did in service, and what people did next.

A rule held a result when a decision held it for a reason of that rule. What became of the result
is read from the case as it stands: a person released it as it was, it left with another value, a
person rejected it, its sender took it back, the rules let it go later, or it is open still.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from statistics import median
from typing import Literal

from msgspec import Struct

from verifier.facts.case import BY_RULES, CaseRecord, Entry
from verifier.facts.verdicts import Decision
from verifier.language import tree
from verifier.language.program import Program
from verifier.texts import mark

Fate = Literal["unchanged", "corrected", "rejected", "withdrawn", "by rules", "open"]
FATES: tuple[Fate, ...] = ("unchanged", "corrected", "rejected", "withdrawn", "by rules", "open")
OVERRIDES = 10  # specimens; a rule that was overridden in fewer has not been shown to be useless
_KEPT = 20  # latest overrides that are remembered of each rule


class History(Struct, frozen=True):
    """One stored case with all its decisions, oldest first.

    `settled` says when entries were settled, by their place.
    """

    case_id: int
    record: CaseRecord
    decisions: tuple[Decision, ...]
    settled: Mapping[int, datetime]


class Held(Struct, frozen=True):
    """One result that one rule held, and what became of it.

    `alone` says that no other rule and no safeguard held it then; `after` is the time from the
    first hold until a person settled it, None where none did.
    """

    case_id: int
    place: int
    rule: str
    test: str
    since: datetime
    alone: bool
    fate: Fate
    after: timedelta | None


class RuleUse(Struct, frozen=True):
    """What one rule did in service. `fates` counts what became of what it held.

    `median` is the median time people took to settle it, None where they settled nothing;
    `last` when it held something last. `overrides` are the latest results it held that people
    released as they were, newest first, as case and place. `acts` is false for a rule that holds
    nothing by its own words, `calls` true for one that asks to call somebody: what it holds is
    meant to be released once that is done. `known` is false for one that is not in use any more.
    `specimens` is of how many specimens something it held was settled: one specimen is one
    decision of a person, however many results it has.
    """

    rule: str
    held: int
    alone: int
    fates: Mapping[Fate, int]
    median: timedelta | None
    last: datetime | None
    overrides: tuple[tuple[int, int], ...] = ()
    acts: bool = True
    calls: bool = False
    known: bool = True
    specimens: int = 0

    @property
    def settled(self) -> int:
        """How many of them people settled, or their sender took back or replaced."""
        return self.held - self.fates["open"] - self.fates["by rules"]

    def standing(self, least: int = OVERRIDES) -> str:
        """Return what stands out of the rule in a few words, "" where nothing does."""
        if not self.known:
            return mark("not in the rules in use")
        if not self.acts:
            return mark("holds nothing by its own words")
        if not self.held:
            return mark("never held anything")
        if self.specimens >= least and self.fates["unchanged"] == self.settled:
            if self.calls:
                return mark("always released, and it asks to call")
            return mark("always overridden")
        return ""


class Usage(Struct, frozen=True):
    """What all rules did: those that stand out first, then by how often they held.

    `cases` is how many specimens were looked at, of those received since `since`; `all_read` is
    false when there were more.
    """

    since: datetime
    cases: int
    all_read: bool
    rules: tuple[RuleUse, ...]


class Counting:
    """Counts histories as they come; keeps no history."""

    def __init__(self) -> None:
        self.cases = 0
        self._fates: dict[str, dict[Fate, int]] = defaultdict(lambda: dict.fromkeys(FATES, 0))
        self._alone: dict[str, int] = defaultdict(int)
        self._specimens: dict[str, int] = defaultdict(int)
        self._times: dict[str, list[timedelta]] = defaultdict(list)
        self._last: dict[str, datetime] = {}
        self._overrides: dict[str, list[tuple[datetime, int, int]]] = defaultdict(list)

    def take(self, history: History) -> None:
        """Add one case."""
        self.cases += 1
        found = holds_of(history)
        for held in found:
            self._add(held)
        for name in {held.rule for held in found if held.fate not in ("open", "by rules")}:
            self._specimens[name] += 1

    def _add(self, held: Held) -> None:
        name = held.rule
        self._fates[name][held.fate] += 1
        self._alone[name] += held.alone
        self._last[name] = max(held.since, self._last.get(name, held.since))
        if held.after is not None:
            self._times[name].append(held.after)
        if held.fate == "unchanged":
            kept = self._overrides[name]
            kept.append((held.since, held.case_id, held.place))
            if len(kept) > 2 * _KEPT:
                self._overrides[name] = sorted(kept, reverse=True)[:_KEPT]

    def usage(self, program: Program, since: datetime, *, all_read: bool, least: int) -> Usage:
        """Return what was counted, of each rule of a program and each other that held."""
        silent = {rule.name.text for rule in _rules(program) if not _acts(rule)}
        calling = {rule.name.text for rule in _rules(program) if _does(rule, "call")}
        known = {rule.name for rule in program.rules}
        names = known | set(self._fates)
        uses = [
            self._use(
                name, acts=name not in silent, calls=name in calling,
                known=name in known or ":" in name,
            )
            for name in names
        ]  # fmt: skip
        uses.sort(key=lambda use: (_rank(use, least), -use.held, use.rule))
        return Usage(since, self.cases, all_read, tuple(uses))

    def _use(self, name: str, *, acts: bool, calls: bool, known: bool) -> RuleUse:
        fates, times = dict(self._fates[name]), self._times[name]
        latest = sorted(self._overrides[name], reverse=True)[:_KEPT]
        return RuleUse(
            rule=name,
            held=sum(fates.values()),
            alone=self._alone[name],
            fates=fates,
            median=_median(times),
            last=self._last.get(name),
            overrides=tuple((case_id, place) for _, case_id, place in latest),
            acts=acts,
            calls=calls,
            known=known,
            specimens=self._specimens[name],
        )


def _median(times: Sequence[timedelta]) -> timedelta | None:
    if not times:
        return None
    return timedelta(seconds=median(time.total_seconds() for time in times))


def _rules(program: Program) -> Iterator[tree.Rule]:
    yield from (item for item in program.statements if isinstance(item, tree.Rule))


def _acts(rule: tree.Rule) -> bool:
    """Return whether a rule can hold: one that only says `when …` comments, flags or calls."""
    return rule.scope != "nothing" or _does(rule, "suppress")


def _does(rule: tree.Rule, what: str) -> bool:
    return any(effect.what == what for effect in rule.effects)


def _rank(use: RuleUse, least: int) -> int:
    order = ("always overridden", "never held anything")
    standing = use.standing(least)
    return order.index(standing) if standing in order else len(order) + (not use.held)


def holds_of(history: History) -> list[Held]:
    """Return what each rule held of a case: each rule and result once, from the first hold on."""
    found: dict[tuple[int, str], Held] = {}
    for decision in history.decisions:
        for item in decision.results:
            if item.outcome != "hold":
                continue
            rules = list(dict.fromkeys(r.rule for r in item.reasons if r.kind != "wait"))
            for rule in rules:
                key = item.entry, rule
                if key not in found:
                    since, alone = decision.decided, len(rules) == 1
                    found[key] = _held(history, item.entry, rule, item.test, since, alone)
    return list(found.values())


def _held(history: History, place: int, rule: str, test: str, since: datetime, alone: bool) -> Held:
    entries = history.record.entries
    end = _standing(entries, place)
    fate = _fate(entries[place], entries[end])
    by_person = fate in ("unchanged", "corrected", "rejected") and (
        entries[end].settled_by not in ("", BY_RULES)
    )
    at = history.settled.get(end) if by_person else None
    after = None if at is None else max(at - since, timedelta(0))
    return Held(history.case_id, place, rule, test, since, alone, fate, after)


def _standing(entries: Sequence[Entry], place: int) -> int:
    """Return the place of what stands now where an entry stood: the last that replaced it."""
    key = entries[place].observation.key
    while entries[place].state == "superseded":
        later = (n for n in range(place + 1, len(entries)) if entries[n].observation.key == key)
        following = next(later, None)
        if following is None:
            break
        place = following
    return place


def _fate(held: Entry, now: Entry) -> Fate:
    match now.state:
        case "rejected" | "suppressed":
            return "rejected"
        case "withdrawn":
            return "withdrawn"
        case "released":
            was, is_now = held.observation, now.observation
            if (was.text, was.unit) != (is_now.text, is_now.unit):
                return "corrected"
            return "by rules" if now.settled_by == BY_RULES else "unchanged"
        case _:
            return "open"

"""Runs one rule on one result and collects what it says: reasons, flags, comments, requests."""

from collections.abc import Iterable, Mapping, Sequence

from msgspec.structs import replace

from verifier.facts.case import Case
from verifier.facts.verdicts import Derived, Fact, Judgement, Kind, Reason, Request
from verifier.language.rules import FLAGS, CompiledRule
from verifier.language.scene import Scene
from verifier.language.screen import Screen
from verifier.language.truth import Truth, Unknown

DERIVED = -1  # the position of the derived result in hand, which no message sent


class Findings:
    """What rules have said so far, by position in the case."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self.reasons: dict[int, dict[tuple[str, str], Reason]] = {}
        self.covered: set[int] = set()
        self.flags: dict[int, list[str]] = {}
        self.references: dict[int, str] = {}
        self.comments: dict[int, dict[str, None]] = {}
        self.instead: dict[int, dict[str, None]] = {}
        self.requests: dict[Request, None] = {}
        self.fired: set[str] = set()
        self.everywhere: dict[tuple[str, str], Reason] = {}  # what holds the specimen

    def forget_derived(self) -> None:
        """Make room for the next derived result; what was held besides it stays held."""
        for said in (self.reasons, self.flags, self.comments, self.instead):
            said.pop(DERIVED, None)

    def positions(self, rule: CompiledRule, position: int | None) -> Iterable[int]:
        """Return the results a true condition of a rule holds."""
        results = self.case.results
        match rule.scope:
            case "specimen" | "patient":
                also = [DERIVED] if position == DERIVED else []
                return [*range(len(results)), *also]
            case "tests":
                return [n for n, result in enumerate(results) if result.test in rule.held]
            case _:
                return [] if position is None else [position]

    def add(self, positions: Iterable[int], reason: Reason) -> None:
        """Add a reason once to each result."""
        for position in positions:
            self.reasons.setdefault(position, {}).setdefault((reason.rule, reason.kind), reason)

    def speak(self, rule: CompiledRule, positions: Iterable[int], reason: Reason) -> None:
        """Add what a rule says of results; what it says of the specimen concerns all of it."""
        self.add(positions, reason)
        if rule.scope in ("specimen", "patient"):
            self.everywhere.setdefault((reason.rule, reason.kind), reason)

    def with_specimen(self, item: Derived) -> Derived:
        """Return a derived result with what holds its specimen.

        Its inputs may have left before that was known, and hold nothing any more.
        """
        if not self.everywhere:
            return item
        found = dict(self.everywhere)
        found.update({(said.rule, said.kind): said for said in item.reasons})
        return replace(item, reasons=tuple(found[key] for key in sorted(found)))

    def reasons_of(self, position: int) -> tuple[Reason, ...]:
        """Return the reasons of one result, by rule name and kind."""
        found = self.reasons.get(position, {})
        return tuple(found[key] for key in sorted(found))

    def instead_of(self, position: int) -> str:
        """Return the words that stand in place of a suppressed value, "" where it is not."""
        return "; ".join(sorted(self.instead.get(position, ())))

    def judgement(self, derived: tuple[Derived, ...], notes: Mapping[str, Fact]) -> Judgement:
        """Return everything said, in an order that depends on nothing but the case."""
        return Judgement(
            reasons={position: self.reasons_of(position) for position in sorted(self.reasons)},
            covered=frozenset(self.covered),
            flags={n: flag for n, found in self.flags.items() if (flag := worst_flag(found))},
            references=self.references,
            comments={n: tuple(sorted(found)) for n, found in self.comments.items()},
            instead={n: self.instead_of(n) for n in sorted(self.instead)},
            requests=tuple(sorted(self.requests, key=_request_key)),
            derived=derived,
            notes=notes,
            fired=frozenset(self.fired),
        )


def _request_key(request: Request) -> tuple[str, str, tuple[str, ...], str]:
    return request.what, request.rule, request.tests, request.detail


def worst_flag(found: Iterable[str]) -> str:
    """Return the worst of several flags, "" when there is none."""
    known = [flag for flag in found if flag]
    return min(known, key=FLAGS.index) if known else ""


def judge_rules(
    rules: Sequence[CompiledRule],
    scene: Scene,
    found: Findings,
    position: int | None,
    picked: Screen[CompiledRule] | None = None,
) -> None:
    """Run rules; `position` is the result in hand, -1 a derived one, None the whole specimen.

    `picked` leaves out those that certainly say nothing.
    """
    try:
        for rule in picked(scene) if picked else rules:
            truth = rule.condition(scene)
            if truth is not False and (truth is True or not rule.silent_on_unknown):
                _fired(rule, scene, found, position, truth)
    except Exception:
        # Some rule failed: run each on its own, so that the failure holds and the others count.
        for rule in rules:
            _judge_alone(rule, scene, found, position)


def _judge_alone(rule: CompiledRule, scene: Scene, found: Findings, position: int | None) -> None:
    try:
        truth = rule.condition(scene)
        if truth is not False:
            _fired(rule, scene, found, position, truth)
    except Exception as error:
        # A rule that fails must hold, whatever the failure was: no other handler knows the result.
        text = f"the rule failed ({type(error).__name__}); this is a defect, please report it"
        reason = Reason(rule.name, "safeguard", text, source=rule.source)
        found.fired.add(rule.name)
        found.speak(rule, _touched(rule, found, position), reason)


def _touched(rule: CompiledRule, found: Findings, position: int | None) -> list[int]:
    held = list(found.positions(rule, position))
    if rule.scope == "nothing" and position is not None:
        return [position]
    return held


def _fired(
    rule: CompiledRule, scene: Scene, found: Findings, position: int | None, truth: Truth
) -> None:
    # Only a certain exception narrows a rule: an unknown one leaves it as it is.
    if any(exception(scene) is True for exception in rule.exceptions):
        return
    if isinstance(truth, Unknown):
        _unknown(rule, scene, found, position, truth)
        return
    found.fired.add(rule.name)
    facts = _facts(rule, scene)
    text = rule.because(scene)
    touched = list(found.positions(rule, position))
    if rule.scope != "nothing":
        found.speak(rule, touched, _reason(rule, "hold", text, facts))
    if rule.instead:
        _suppress(rule, scene, found, _touched(rule, found, position), text)
    _effects(rule, scene, found, touched, position)


def _reason(rule: CompiledRule, kind: Kind, text: str, facts: tuple[Fact, ...]) -> Reason:
    of_patient = rule.scope == "patient"
    return Reason(rule.name, kind, text, facts, rule.source, of_patient=of_patient)


def _suppress(
    rule: CompiledRule, scene: Scene, found: Findings, touched: Iterable[int], because: str
) -> None:
    """Hold, and note the words that stand in place of the value; the record keeps the value."""
    assert rule.instead is not None
    words = rule.instead(scene)
    text = f"{because}: the value is replaced by “{words}”"
    found.speak(rule, touched, _reason(rule, "suppress", text, _facts(rule, scene)))
    for number in touched:
        found.instead.setdefault(number, {})[words] = None


def _unknown(
    rule: CompiledRule, scene: Scene, found: Findings, position: int | None, truth: Unknown
) -> None:
    waiting = _wait(rule, scene)
    if waiting is not None:
        found.fired.add(rule.name)
        found.speak(rule, _touched(rule, found, position), waiting)
    elif rule.holds_unknown:
        found.fired.add(rule.name)
        text = "can not be judged: " + "; ".join(truth.sentences())
        reason = _reason(rule, "unknown", text, _facts(rule, scene))
        found.speak(rule, _touched(rule, found, position), reason)


def _wait(rule: CompiledRule, scene: Scene) -> Reason | None:
    if not rule.wait:
        return None
    until = scene.case.opened + rule.wait_up_to
    missing = [name for name in rule.wait if name not in scene.results]
    if not missing or scene.case.now >= until:
        return None
    kind: Kind = "wait"
    text = "waits for " + ", ".join(missing)
    return Reason(rule.name, kind, text, _facts(rule, scene), rule.source, until)


def _facts(rule: CompiledRule, scene: Scene) -> tuple[Fact, ...]:
    """Return the facts a rule rests on, and the limits that decided."""
    shown = [fact.show(scene) for fact in rule.typed.facts]
    shown += [c.limit(scene) for c in rule.typed.checks if c.truth(scene) is not False]
    return tuple(fact for fact in shown if fact is not None)


def _effects(
    rule: CompiledRule, scene: Scene, found: Findings, touched: list[int], position: int | None
) -> None:
    positions = touched if touched or position is None else [position]
    for number in positions:
        if rule.flag:
            found.flags.setdefault(number, []).append(rule.flag)
        for comment in rule.comments:
            found.comments.setdefault(number, {})[comment(scene)] = None
    wanted = [name for name in rule.orders if name not in scene.results]
    requests = (*rule.requests, *(("order", name) for name in wanted))
    if requests:
        results = found.case.results
        names = {results[n].test for n in positions if n >= 0} - {""}
        tests = tuple(sorted(names)) if names or not scene.test else (scene.test,)
        for what, detail in requests:
            found.requests[Request(what, rule.name, tests, detail)] = None

"""Controls made ready to be shown: standings, rules in use, charts."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

from markupsafe import Markup

from verifier.facts.catalogue import TestDefinition
from verifier.quality.choices import MEANINGS, RuleName
from verifier.quality.standing import QualityState
from verifier.service.gating import stands_now
from verifier.service.levels import in_use
from verifier.settings import Quality
from verifier.store.qualityrows import ControlLevel, ControlResult, CorrectiveAction, StandingRow
from verifier.store.transaction import Reader
from verifier.web.catalogue import say
from verifier.web.controlchart import Mark, chart
from verifier.web.qualitynumbers import brief, digits_of, shown
from verifier.web.units import readable
from verifier.web.words import word

MARKS = {
    "in control": "✓", "warning": "△", "out of control": "✕", "control not judged": "?",
    "overdue": "!", "no control defined": "–",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Shown:
    """How a test stands on an analyzer now, with the levels that are measured there."""

    row: StandingRow
    state: QualityState
    why: str
    levels: Sequence[ControlLevel]


def standings(reader: Reader, settings: Quality, now: datetime) -> list[Shown]:
    """Return how every test with controls stands, the worst first.

    Last comes what only would count on an analyzer nobody has sent controls of yet.
    """
    levels = [level for level in reader.control_levels() if level.ended is None]
    found = []
    for each in stands_now(reader, settings, now):
        row = each.row
        own = [e for e in levels if e.test == row.test and e.analyzer in ("", row.analyzer)]
        found.append(Shown(row, each.state, each.why, own))
    order = [
        "out of control", "control not judged", "overdue", "no control defined", "warning",
        "in control",
    ]  # fmt: skip
    measured = {each.row.test for each in found if each.row.analyzer}

    def rank(each: Shown) -> tuple[bool, int, str, str]:
        spare = not each.row.analyzer and each.row.test in measured
        return spare, order.index(each.state), each.row.test, each.row.analyzer

    return sorted(found, key=rank)


def not_judged(reader: Reader, since: datetime) -> dict[str, list[ControlResult]]:
    """Return what arrived since an instant and could not be judged: what is to be settled, and
    apart from it what is `without_levels`, of tests that no level is defined for on its analyzer
    and nothing follows from."""
    levels = reader.control_levels()
    found: dict[str, list[ControlResult]] = {"not_judged": [], "without_levels": []}
    for each in reader.controls_not_judged(since):
        gated = not each.test or in_use(levels, each.test, each.analyzer)
        if each.left_out is None:
            found["not_judged" if gated else "without_levels"].append(each)
    return found


def rules_in_use(settings: Quality) -> list[str]:
    """Return the control rules in use and what is chosen where their definitions leave it open."""

    def named(rules: Iterable[RuleName]) -> str:
        return "; ".join(f"{rule} ({say(MEANINGS[rule])})" for rule in rules) or say("no rule")

    said = [
        say("warns: %(rules)s", rules=named(settings.warn)),
        say("rejects: %(rules)s", rules=named(settings.reject)),
        say("a value exactly on a limit is beyond it; one exactly on the mean is on neither side")
        if settings.inclusive
        else say(
            "a value exactly on a limit is not beyond it; one exactly on the mean is on neither "
            "side"
        ),
    ]
    if "R-4s" in (*settings.warn, *settings.reject):
        apart = say("the highest and the lowest value of a run are more than 4 SD apart")
        sides = say("one value of a run is beyond +2 SD and another beyond −2 SD")
        said.append(f"R-4s: {apart if settings.spread == 'range' else sides}")
    if settings.across:
        said.append(
            say("over all levels together as well: %(rules)s", rules=", ".join(settings.across))
        )
    if settings.after_warning:
        said.append(say("rejects only in a run with a value beyond 2 SD"))
    said.append(say("no rule looks back over a corrective action or into another lot"))
    return said


def undefined(reader: Reader, tests: Iterable[TestDefinition]) -> list[TestDefinition]:
    """Return the tests that are to be controlled and have no level in use on any analyzer."""
    defined = {level.test for level in reader.control_levels() if level.ended is None}
    wanted = (test for test in tests if test.controlled and test.kind != "index")
    return [test for test in wanted if test.name not in defined]


def drawn(
    level: ControlLevel,
    results: Sequence[ControlResult],
    actions: Sequence[CorrectiveAction],
    against: tuple[Decimal, Decimal],
    zone: ZoneInfo,
) -> Markup:
    """Return the chart of a level against a mean and an SD, oldest measurement first.

    What could not be judged has a mark of its own, at the foot where it has no value.
    """
    mean, sd = against
    marks, before = [], None
    for each in results:
        acted = before is not None and any(before < a.at <= each.at for a in actions)
        z = 0.0 if each.value is None else float((each.value - mean) / sd)
        at = each.at.astimezone(zone)
        text, foot = _told(each, level, at), each.value is None
        marks.append(Mark(at, z, _mark(each), each.rules, text, acted, foot))
        before = each.at
    digits = digits_of(level)
    scale = [shown(mean + sd * step, digits) for step in range(-3, 4)]
    return chart(marks, scale, _label(level, marks))


def _mark(result: ControlResult) -> str:
    if result.left_out:
        return "left-out"
    return "not-judged" if result.verdict == "not judged" else result.verdict


def _told(result: ControlResult, level: ControlLevel, at: datetime) -> str:
    value = say("no value")
    if result.value is not None:
        value = f"{brief(result.value, level)} {readable(result.unit)}"
    rules = f": {', '.join(result.rules)}" if result.rules else ""
    note = f": {result.note}" if result.note else ""
    out = f", {say('left out: %(why)s', why=result.left_out_why)}" if result.left_out else ""
    past = f", {say('taken as history')}" if result.history else ""
    return f"{at:%Y-%m-%d %H:%M}  {value}, {word(result.verdict)}{rules}{note}{past}{out}"


def _label(level: ControlLevel, marks: Sequence[Mark]) -> str:
    bad = sum(mark.verdict == "rejected" for mark in marks)
    unclear = sum(mark.verdict == "not-judged" for mark in marks)
    label = say(
        "%(level)s lot %(lot)s: %(count)s measurements, %(bad)s rejected",
        level=level.name, lot=level.lot, count=len(marks) - unclear, bad=bad,
    )  # fmt: skip
    return f"{label}, {say('%(count)s not judged', count=unclear)}" if unclear else label

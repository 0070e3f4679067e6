"""A replay as text for a terminal."""

from collections.abc import Iterator
from datetime import datetime

from verifier.assurance.replaying import CHANGES, FATES, MEANINGS, Change, Replay, Side

_TESTS_SHOWN, _RULES_SHOWN = 60, 80


def as_text(replay: Replay, most: int = 40) -> str:
    """Return counts, tests and rules that change, and the worst changes, at most `most`."""
    return "\n".join((*_head(replay), *_tests(replay), *_rules(replay), *_changes(replay, most)))


def shown_stretch(replay: Replay, kept: datetime | None = None) -> str:
    """Return the stretch in words; one without an end ended when it was made, or `kept`."""
    since, until = replay.stretch.since, replay.stretch.until or replay.made or kept
    parts = [
        f"from {since:%Y-%m-%d %H:%M %Z}" if since else "from the beginning",
        f"to {until:%Y-%m-%d %H:%M %Z}" if until else "to now",
    ]
    for what, names in (
        ("tests", replay.stretch.tests), ("connections", replay.stretch.connections),
    ):  # fmt: skip
        parts += [f"{what} {', '.join(sorted(names))}"] if names else []
    return ", ".join(parts)


def percent(part: int, whole: int) -> str:
    """Return a share; never 0 or 100 % unless it is exactly that."""
    if not whole:
        return "–"
    share = 100 * part / whole
    if 0 < part < whole:
        share = min(max(share, 0.1), 99.9)
    return f"{share:.1f} %"


def side_text(side: Side) -> str:
    """Return outcome, flag, the rules that speak and what is asked for, on one line."""
    rules = ", ".join(dict.fromkeys(reason.rule for reason in side.reasons if reason.rule))
    words = [
        side.shown, _OUTCOMES[side.outcome], side.flag and f"[{side.flag}]", rules and f"({rules})",
        f"and asks: {', '.join(side.asked)}" if side.asked else "",
    ]  # fmt: skip
    return " ".join(filter(None, words))


_OUTCOMES = {
    "release": "leaves", "hold": "held", "wait": "waits", "absent": "not reported"
}  # fmt: skip


def _head(replay: Replay) -> Iterator[str]:
    counts = replay.counts
    yield f"candidate  {replay.candidate}  {replay.candidate_identity[:12]}"
    yield f"against    {replay.against}  {replay.against_identity[:12]}".rstrip()
    yield f"history    {shown_stretch(replay)}"
    yield (
        f"judged     {counts.results:,} results of {counts.specimens:,} specimens, "
        f"{counts.decisions:,} decisions"
        + (f", of {replay.covered.words()}" if replay.covered else "")
    )
    if counts.without_facts:
        yield f"           {counts.without_facts:,} more decisions have no stored facts"
    if counts.reproduced or counts.not_reproduced:
        yield (
            f"record     {counts.reproduced:,} decisions come out the same to the last byte, "
            f"{counts.not_reproduced:,} do not"
        )
    yield (
        f"leaves     {percent(counts.released_before, counts.results)} before, "
        f"{percent(counts.released_after, counts.results)} with the candidate"
    )
    yield ""
    yield f"{counts.changed:,} results change" + ("" if counts.changed else ".")
    for kind in CHANGES:
        if number := counts.of_kind(kind):
            yield f"  {number:>9,}  {kind}: {MEANINGS[kind]}"
            for fate, of_them in sorted(counts.fates[kind].items(), key=lambda item: -item[1]):
                yield f"  {'':>9}    {of_them:,} {FATES[fate]}"
    if counts.requests:
        yield f"  {counts.requests:>9,}  specimens of which something else is asked for"
    for failure, number in sorted(counts.failures.items()):
        yield f"  failed {number:,} times: {failure}"
    yield from (f"caution: {text}" for text in replay.cautions)


def _tests(replay: Replay) -> Iterator[str]:
    changed = {name: test for name, test in replay.counts.tests.items() if test.changes}
    if not changed:
        return
    yield from ("", f"{'test':<28}{'results':>10}{'left':>9}{'leaves':>9}  changes")
    order = sorted(changed, key=lambda name: (-sum(changed[name].changes.values()), name))
    for name in order[:_TESTS_SHOWN]:
        test = changed[name]
        what = ", ".join(f"{test.changes[k]:,} {k}" for k in CHANGES if k in test.changes)
        before = percent(test.released_before, test.results)
        after = percent(test.released_after, test.results)
        yield f"{name[:27]:<28}{test.results:>10,}{before:>9}{after:>9}  {what}"
    if len(order) > _TESTS_SHOWN:
        yield f"and {len(order) - _TESTS_SHOWN} more tests"


def _rules(replay: Replay) -> Iterator[str]:
    rules = {n: rule for n, rule in replay.counts.rules.items() if rule.gained or rule.lost}
    if not rules:
        return
    yield from ("", f"{'keeps back':<44}{'before':>10}{'after':>10}{'gained':>10}{'lost':>10}")
    order = sorted(rules, key=lambda name: (-rules[name].gained - rules[name].lost, name))
    for name in order[:_RULES_SHOWN]:
        rule = rules[name]
        numbers = (rule.before, rule.after, rule.gained, rule.lost)
        yield f"{name[:43]:<44}" + "".join(f"{number:>10,}" for number in numbers)
    if len(order) > _RULES_SHOWN:
        yield f"and {len(order) - _RULES_SHOWN} more rules"


def _changes(replay: Replay, most: int) -> Iterator[str]:
    if not replay.changes:
        return
    yield from ("", "changed results, worst first")
    for change in replay.changes[:most]:
        yield from _change(change)
    left = replay.left_out + max(0, len(replay.changes) - most)
    if left:
        yield f"and {left:,} more, which come after these in that order"


def _change(change: Change) -> Iterator[str]:
    value = f"{change.value} {change.unit}".strip()
    who = f" ({change.settled_by})" if change.settled_by and change.fate != "open" else ""
    yield (
        f"  {change.kind.upper()}  {change.title} {value}, specimen {change.specimen}, "
        f"{change.decided:%Y-%m-%d %H:%M}; {FATES[change.fate]}{who}"
    )
    yield f"    {side_text(change.before)}  ->  {side_text(change.after)}"
    said = [reason.text for reason in change.before.reasons]
    new = [reason.text for reason in change.after.reasons]
    yield from (f"    - {text}" for text in said if text not in new)
    yield from (f"    + {text}" for text in new if text not in said)

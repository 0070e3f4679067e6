"""Says what happens in lines a person can follow: the invented time, the specimen, what, why."""

from collections import Counter
from collections.abc import Iterable, Mapping

from verifier.decide.safeguards import PREFIX
from verifier.demo.check import Aftermath, Findings
from verifier.demo.compare import Played
from verifier.demo.controls import Seen
from verifier.demo.laboratory import Laboratory
from verifier.demo.receiver import Received
from verifier.demo.scenario import Act, Morning, Step, Tube, Wire
from verifier.facts.verdicts import Decision, ResultDecision

ANSWERS = {
    "": "no answer",
    "AA": "accepted",
    "AE": "refused: error in it (AE)",
    "AR": "refused: not for us (AR)",
}
INDENT = " " * 16


def opening(step: Step) -> str:
    """Return the invented day and time of a step."""
    day = {0: "", -1: "yesterday "}.get(step.day, f"{-step.day} days ago ")
    return f"{day}{step.at}"


def told(played: Played, morning: Morning) -> list[str]:
    """Return the lines that tell one step."""
    step = played.step
    when = opening(step)
    match step:
        case Tube() if played.control:
            head = f"{when}  control of the {morning.analyzers[step.by].title}: {step.title}"
            return [head, *_control(played.control)]
        case Tube():
            patient = morning.patients.get(step.of)
            name = patient.name.replace("^", " ") if patient else "nobody"
            head = f"{when}  {step.id}  {name}, {morning.analyzers[step.by].title}: {step.title}"
            return [head, *_decision(played.decision, played.ack)]
        case Wire():
            title = morning.analyzers[step.by].title
            return [f"{when}  {title}: {step.title}", f"{INDENT}{ANSWERS.get(played.ack)}"]
        case Act():
            return [f"{when}  the {step.who}: {step.title}"]


def _control(seen: Seen) -> list[str]:
    verdict, _, rules = seen.judged.partition(" ")
    why = f": {seen.why}" if seen.why else ""
    lines = [f"{INDENT}{verdict}{f' ({rules})' if rules else ''}; {seen.state}{why}"]
    if seen.left or seen.held:
        lines.append(
            f"{INDENT}since the last good control: {seen.left} had left and are listed to be "
            f"looked into, {seen.held} still here {'is' if seen.held == 1 else 'are'} held"
        )
    return lines


def _decision(decision: Decision | None, ack: str) -> list[str]:
    if decision is None:
        return [f"{INDENT}{ANSWERS.get(ack, ack)}; nothing to decide"]
    results = [*decision.results, *decision.derived]
    released = sum(result.outcome == "release" for result in results)
    lines = [f"{INDENT}released: {released} of {len(results)}"]
    grouped: dict[tuple[str, str, str], list[ResultDecision]] = {}
    for result in results:
        for reason in result.reasons:
            # Which input is held was told just before; the names of what follows are enough.
            text = "" if reason.rule == f"{PREFIX}inputs" else f": {reason.text}"
            grouped.setdefault((result.outcome, reason.rule, text), []).append(result)
    for (outcome, rule, text), group in grouped.items():
        verb = {"hold": "held", "wait": "waiting"}.get(outcome, outcome)
        lines.append(f"{INDENT}{verb}: {_named(group)} ({rule}){text}")
    return [*lines, *_comments(results)]


def _comments(results: Iterable[ResultDecision]) -> list[str]:
    """Tell what leaves with a comment; the comment of a held result is a person's to judge."""
    commented: dict[str, list[ResultDecision]] = {}
    for result in results:
        for text in result.comments if result.outcome == "release" else ():
            commented.setdefault(text, []).append(result)
    return [f"{INDENT}comment: {_named(group)}: {text}" for text, group in commented.items()]


def _named(results: Iterable[ResultDecision]) -> str:
    group = list(results)
    if len(group) > 3:
        return f"{len(group)} results"
    return ", ".join(
        f"{each.title or each.code} {each.value} {each.unit}".strip() for each in group
    )


def delivered(received: Received) -> str:
    """Return one line about a message that reached the LIS."""
    refused = "" if received.answer == "AA" else "  (the LIS refuses it)"
    changed = [str(line) for line in received.lines if line.status != "F"]
    what = "; ".join(changed) if changed else _final(len(received.lines))
    return f"{INDENT}LIS: {received.specimen}: {what}{refused}"


def ledger(received: Received) -> list[str]:
    """Return one line per result of a message that reached the LIS."""
    head = f"{received.control_id}  {received.specimen}  {received.answer}"
    return [f"{head}  {line}" for line in received.lines]


def welcome(laboratory: Laboratory, passwords: Mapping[str, str]) -> str:
    """Return where the page is and how to sign in."""
    accounts = [f"    {name:<16}{password}" for name, password in passwords.items()]
    return "\n".join(
        [
            "An invented laboratory: every patient, place and number here is made up.",
            f"page: {laboratory.page}",
            "sign in with one of these names and passwords:",
            *accounts,
            f"what the LIS receives, one line per result: {laboratory.folder / 'lis.txt'}",
            f"what the service says: {laboratory.log}",
            "",
        ]
    )


def stays(laboratory: Laboratory) -> str:
    """Return what to do after the morning."""
    return (
        f"\nThe morning is over. What was held waits on {laboratory.page}\n"
        "Everything stays up until you press Ctrl-C."
    )


def table(morning: Morning, after: Aftermath, findings: Findings) -> str:
    """Return the summary of a checked morning."""
    kinds = Counter(type(step).__name__ for step in morning.steps)
    specimens = {tube.id for tube in morning.tube}
    results = ", ".join(f"{count} {name}" for name, count in sorted(findings.outcomes.items()))
    counts = [
        ("specimens", f"{len(specimens)} in {kinds['Tube']} messages"),
        ("oddities on the wire", str(kinds["Wire"])),
        ("acts of people", str(kinds["Act"])),
        ("decisions on results", results),
        ("messages at the LIS", f"{len(after.received)}, {after.refused} refused"),
        ("messages to look at", str(len(after.problems))),
        ("results to look into after a control failed", str(len(after.reviews))),
    ]
    rules = [(name, _spoken(findings, name)) for name in _worst_first(findings)]
    never = [(name, f"never: {why}") for name, why in morning.never.items()]
    elsewhere = sorted(findings.elsewhere.items())
    all_names = [name for name, _ in [*counts, *rules, *never, *elsewhere]]
    width = max(len(name) for name in all_names)
    rows = [f"{name:<{width}}  {value}" for name, value in [*counts, *rules, *never]]
    one = len(elsewhere) == 1
    rows += [
        "",
        f"{len(elsewhere)} rule{'s' * (not one)} did not occur this morning; "
        f"{'it' if one else 'each'} fires in a scenario of the rule files{':' * bool(elsewhere)}",
    ]
    rows += [f"{name:<{width}}  {title}" for name, title in elsewhere]
    verdict = f"{len(findings.differences)} differences from what was expected"
    return "\n".join([*rows, "", *findings.differences, verdict])


def _worst_first(findings: Findings) -> list[str]:
    """Return what spoke: who kept back most results first, who only commented last."""
    return sorted(
        findings.spoken,
        key=lambda name: (-findings.held.get(name, 0), -findings.spoken[name], name),
    )


def _spoken(findings: Findings, name: str) -> str:
    held, spoken = findings.held.get(name, 0), findings.spoken[name]
    comments = f"{spoken - held} with a comment" if spoken > held else ""
    return ", ".join(filter(None, [f"{held} kept back" if held else "", comments]))


def _final(count: int) -> str:
    return f"{count} final result{'s' * (count != 1)}"

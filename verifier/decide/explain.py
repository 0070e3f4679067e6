"""A decision as sentences."""

from verifier.facts.verdicts import Decision, Fact, Reason, Request, ResultDecision

_OUTCOMES = {"release": "may leave", "hold": "is held", "wait": "waits"}


def sentences(decision: Decision) -> list[str]:
    """Return a decision as sentences, in a fixed order, one result after the other."""
    lines = []
    for item in (*decision.results, *decision.derived):
        lines.append(_headline(item))
        lines.extend(f"  {_reason(reason)}" for reason in item.reasons)
        lines.extend(f"  Comment: {comment}" for comment in item.comments)
    lines.extend(_request(request) for request in decision.requests)
    lines.append(f"Decided {decision.decided.isoformat()} by rule set {decision.rule_set}.")
    return lines


def _request(request: Request) -> str:
    tests = ", ".join(request.tests)
    if request.what == "order":
        because = f" because of {tests}" if tests else ""
        return f"Rule {request.rule} orders {request.detail}{because}."
    detail = f" ({request.detail})" if request.detail else ""
    return f"Rule {request.rule} asks for {request.what}{f' for {tests}' if tests else ''}{detail}."


def _headline(item: ResultDecision) -> str:
    value = " ".join(part for part in (item.value or "without value", item.unit) if part)
    flag = f" [{item.flag}]" if item.flag else ""
    stop = "." if item.outcome == "release" else ":"
    return f"{item.title} {value}{flag} {_OUTCOMES[item.outcome]}{stop}"


def _reason(reason: Reason) -> str:
    text = reason.text[:1].upper() + reason.text[1:]
    until = f" until {reason.until.isoformat()}" if reason.until else ""
    source = f"; source: {reason.source}" if reason.source else ""
    facts = "; ".join(_fact(fact) for fact in reason.facts)
    reach = " This concerns every open specimen of the patient." if reason.of_patient else ""
    resting = f" Facts: {facts}." if facts else ""
    return f"{text}{until} ({reason.rule}{source}).{reach}{resting}"


def _fact(fact: Fact) -> str:
    words = [f"{fact.name} = {fact.value or 'nothing'}", fact.unit]
    if fact.at:
        words.append(f"at {fact.at.isoformat()}")
    if fact.source:
        words.append(f"({fact.source})")
    return " ".join(word for word in words if word)

"""The safeguards: reasons to hold that no rule set can switch off.

Each has a name that never changes, so that records years apart can be compared. A rule can not
carry such a name: rule names hold no colon.
"""

from collections.abc import Iterator, Mapping
from types import MappingProxyType

from verifier.facts.case import Case, ControlSays, Result
from verifier.facts.catalogue import Catalogue
from verifier.facts.verdicts import Fact, Outcome, Reason

PREFIX = "built-in:"

MEANINGS = MappingProxyType(
    {
        "unknown-test": "the code is none of the rule set's tests",
        "specimen-type": "the test is not one of this specimen type",
        "unit": "the unit is missing, unknown, or can not be converted",
        "no-value": "there is no value",
        "unreadable-value": "the value can not be read as what the test reports",
        "several-values": "the specimen has more than one value of the test",
        "status-not-final": "the result status is neither final nor corrected",
        "status-change": "the result changed in a way its status does not allow",
        "correction": "a value that has left the laboratory is corrected",
        "times": "the result is older than the specimen",
        "analyzer-flag": "the sender flagged the result in a way that is not mapped",
        "patient": "the patient is not identified",
        "specimen": "the specimen is not identified, or what is known of it does not fit together",
        "control-specimen": "the specimen is not a patient's",
        "quality-control": "the test is not in control",
        "suspended": "a person stopped automatic release",
        "no-rule": "no rule covers the test",
        "inputs": "a result this one is derived from is held",
    }
)


def case_reasons(case: Case) -> tuple[Reason, ...]:
    """Return the safeguards that hold every result of the case."""
    return tuple(_case_reasons(case))


def result_reasons(
    result: Result, case: Case, catalogue: Catalogue, covered: bool
) -> Iterator[Reason]:
    """Yield the safeguards that hold one result; `covered` says that some rule applies to it."""
    for name, text in zip(result.fault_names, result.faults, strict=True):
        yield _sent(name, text, result)
    if result.connection in case.suspended_connections:
        text = case.suspended_connections[result.connection]
        yield safeguard("suspended", f"automatic release is stopped for this connection: {text}")
    yield from test_reasons(result.test, case)
    test = catalogue.tests.get(result.test)
    if test is None:
        return
    if test.kind == "index":
        return  # a fact for rules, with no controls and no limits of its own
    if test.controlled:
        yield from _control_reasons(result, case)
    if not covered:
        yield safeguard("no-rule", f"no rule covers {result.title}")


def _control_reasons(result: Result, case: Case) -> Iterator[Reason]:
    said = result.control or ControlSays(case.quality.get(result.test, "unknown"))
    if said.state == "in control":
        return
    words = "its control state is not known" if said.state == "unknown" else f"it is {said.state}"
    where = result.analyzer or result.connection
    facts = (Fact(f"control of {result.test}", said.state, source=where if said.why else ""),)
    because = f" on {where}: {said.why}" if said.why else ""
    yield safeguard("quality-control", f"{result.title}: {words}{because}", facts)


def test_reasons(test: str, case: Case) -> Iterator[Reason]:
    """Yield the suspension of one test, also for a derived one."""
    if test in case.suspended_tests:
        text = case.suspended_tests[test]
        yield safeguard("suspended", f"automatic release is stopped for {test}: {text}")


def input_reasons(inputs: Mapping[str, Outcome]) -> Iterator[Reason]:
    """Yield the reasons of a derived result whose inputs have not all left."""
    if held := sorted(name for name, outcome in inputs.items() if outcome == "hold"):
        yield safeguard("inputs", f"it is derived from {_listed(held)}, which is not released")
    if waiting := sorted(name for name, outcome in inputs.items() if outcome == "wait"):
        text = f"it is derived from {_listed(waiting)}, which waits"
        yield Reason(PREFIX + "inputs", "wait", text)


def safeguard(name: str, text: str, facts: tuple[Fact, ...] = ()) -> Reason:
    """Return the reason of one built-in safeguard."""
    assert name in MEANINGS, name
    return Reason(PREFIX + name, "safeguard", text, facts)


def _case_reasons(case: Case) -> Iterator[Reason]:
    specimen = case.specimen
    if case.patient is None or not case.patient.key:
        yield safeguard("patient", "the patient is not identified")
    if not specimen.key:
        yield safeguard("specimen", "the specimen is not identified")
    if specimen.role not in {"", "P"}:
        facts = (Fact("specimen role", specimen.role, source="HL7 table 0369"),)
        yield safeguard("control-specimen", "this is not a patient's specimen", facts)
    for doubt in case.doubts:
        yield safeguard("specimen", doubt)
    for text in case.suspended:
        yield safeguard("suspended", f"automatic release is stopped: {text}")


def _sent(name: str, text: str, result: Result) -> Reason:
    fact = Fact(result.title, result.sent_text, result.sent_unit, result.analysed, result.analyzer)
    return safeguard(name, text, (fact,))


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"

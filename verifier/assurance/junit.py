"""What testing a rule set showed as JUnit XML, the form build servers read.

There is no standard; this keeps to what is common to the readers: `testsuites`, `testsuite` with
its counts, `testcase`, `failure` and `skipped`. Scenarios are one suite, edge cases another.
"""

from xml.etree.ElementTree import Element, SubElement, indent, tostring

from verifier.assurance.asking import EdgeRun
from verifier.assurance.running import Ran
from verifier.assurance.suite import SuiteRun
from verifier.assurance.telling import answer_words, where
from verifier.assurance.writing import given


def as_junit(tested: SuiteRun) -> str:
    """Return the report as an XML document."""
    root = Element("testsuites", name="verifier rules test")
    scenarios = SubElement(root, "testsuite", name="scenarios")
    if not tested.ran:
        case = SubElement(scenarios, "testcase", classname="scenarios", name="there are scenarios")
        _fail(case, "there are no scenarios", "nothing says what this rule set is expected to do")
    for ran in tested.ran:
        _scenario(scenarios, ran, tested)
    edges = SubElement(root, "testsuite", name="edge cases")
    for run in tested.edges:
        _edge(edges, run, tested)
    for suite in (scenarios, edges):
        _count(suite)
    for what in ("tests", "failures", "errors"):
        root.set(what, str(sum(int(suite.get(what, "0")) for suite in root)))
    indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + tostring(root, encoding="unicode") + "\n"


def _count(suite: Element) -> None:
    suite.set("tests", str(len(suite)))
    suite.set("failures", str(len(suite.findall("testcase/failure"))))
    suite.set("skipped", str(len(suite.findall("testcase/skipped"))))
    suite.set("errors", "0")


def _case(suite: Element, name: str, place: str) -> Element:
    file, _, line = place.rpartition(":")
    return SubElement(suite, "testcase", classname=file, name=name, file=file, line=line)


def _scenario(suite: Element, ran: Ran, tested: SuiteRun) -> None:
    case = _case(suite, ran.scenario.name, where(ran.scenario.place, tested.sources))
    for answer in ran.answers:
        if not answer.met:
            place = where(answer.place, tested.sources)
            said = [f"{place} expected: {answer.wanted}", f"happened: {answer.happened}"]
            _fail(case, f"{answer.wanted}: {answer.happened}", "\n".join([*said, *answer.reasons]))
            return  # a test case fails once


def _edge(suite: Element, run: EdgeRun, tested: SuiteRun) -> None:
    case = run.case
    what = (
        given(tested.program.catalogue, case.step) if case.step else f"{case.test} {case.value:f}"
    )
    element = _case(suite, f"{what} [{case.words}]", where(case.place, tested.sources))
    if not run.asked:
        SubElement(element, "skipped", message=case.why_not or "no rule asks for this limit")
    elif not run.passed:
        expected = answer_words(case, case.expected)
        said = ", ".join(sorted(answer_words(case, answer) for answer in run.answers))
        _fail(element, f"expected {expected}, happened {said}", "")


def _fail(case: Element, message: str, text: str) -> None:
    SubElement(case, "failure", message=message, type="expectation").text = text

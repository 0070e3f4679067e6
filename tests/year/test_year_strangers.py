"""What no rule of one specimen can see, shown by construction: a genuine twin, equal to the byte.

Two patients of whom nothing is known are mixed up. The specimen that then arrives under the name of
one of them is exactly what a patient with the other's values would have sent. Rules judge messages;
whatever holds the one holds its honest twin.
"""

from copy import deepcopy
from pathlib import Path

import pytest

from verifier.commands.rules.yields import _instant
from verifier.decide.offline import Offline
from verifier.facts.catalogue import ConnectionMap
from verifier.hl7.message import Message
from verifier.language.program import Program
from verifier.rulefiles import load_program

from .labels import truth
from .laboratory import year
from .messages import message
from .mishaps import STRANGER
from .specimens import Specimen


@pytest.fixture(scope="module")
def mixed() -> list[Specimen]:
    return [item for item in year(19, 6000, 8) if STRANGER in item.kinds and not item.slips]


def twin(specimen: Specimen) -> Specimen:
    """Return a specimen whose patient really has the values that were found in this one."""
    honest = deepcopy(specimen)
    honest.true, honest.kinds, honest.spoiled = dict(honest.found), set(), {}
    return honest


def outcomes(rules: Program, specimen: Specimen) -> dict[str, str]:
    quality = dict.fromkeys(rules.catalogue.tests, "in control")
    offline = Offline(rules, ConnectionMap("a", units={"mEq/L": "mmol/L"}), quality)  # type: ignore[arg-type]
    sent = Message.read(message(specimen).encode())
    (judged,) = offline.judge(sent, _instant(sent))
    return {item.test: item.outcome for item in judged.decision.results}


def test_the_honest_twin_is_the_same_message_and_nothing_is_wrong_with_it(
    mixed: list[Specimen],
) -> None:
    assert len(mixed) >= 5
    for specimen in mixed:
        honest = twin(specimen)
        assert message(honest) == message(specimen)
        labels = truth(honest)["specimens"][honest.key]
        assert all(label.get("harm", "none") == "none" for label in labels["results"].values())


def test_rules_decide_the_same_of_both(mixed: list[Specimen]) -> None:
    rules = load_program(Path(__file__).parents[2] / "rules")
    for specimen in mixed[:8]:
        assert outcomes(rules, specimen) == outcomes(rules, twin(specimen))


def test_the_shipped_rules_hold_every_first_creatinine_all_the_same(mixed: list[Specimen]) -> None:
    rules = load_program(Path(__file__).parents[2] / "rules")
    for specimen in mixed[:8]:
        assert outcomes(rules, specimen).get("creatinine", "hold") == "hold"

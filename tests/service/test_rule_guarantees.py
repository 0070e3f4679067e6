"""What a version guarantees decides whether people can approve and activate it."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from verifier.assurance.proving import Outcome, Proof, Proofs
from verifier.errors import RefusedError
from verifier.service.rulechecks import check_if_outdated, check_version, quiet
from verifier.service.ruleguarantees import proofs_of, put_on_record
from verifier.service.ruleproofs import Progress, prove_version
from verifier.service.ruleshelf import known

from .laboratory import RULES
from .test_rule_versions import LOWER, House

NAME = "nothing critical leaves alone"
KEPT = LOWER + f'guarantee "{NAME}"\n  never release when result is critical\n'
BROKEN = KEPT.replace(
    "hold when result is critical\n",
    'hold when result is critical\n  except when age >= 90 years ("very old")\n',
)


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = House(tmp_path)
    yield made
    made.store.close()


def on_record(house: House, number: int, outcome: Outcome) -> None:
    """Put on record that the guarantee of a version came out one way."""
    proof = Proof(NAME, "", outcome, ("potassium",), 0.1, ("the solver gave up",))
    found = Proofs("", (proof,), 0.1, ())
    house.do(lambda tx: put_on_record(tx, "ada", known(tx, number), found))


def test_what_breaks_its_own_guarantee_is_never_fit_for_approval(house: House) -> None:
    number = house.draft(BROKEN)
    with pytest.raises(RefusedError, match="breaks its own guarantees") as refused:
        check_version(house.store, house.settings, "ada", number)
    assert f"“{NAME}” – given " in str(refused.value)
    assert "leaves" in str(refused.value)
    assert house.states()[number] == "draft"
    # Checked by some other way, it is refused all the same.
    house.check(number)
    house.replay(number)
    with pytest.raises(RefusedError, match="breaks its own guarantees"):
        house.approve(number, "pat")


def test_what_is_not_proved_yet_is_proved_first_and_once(house: House) -> None:
    number = house.draft(KEPT)
    house.check(number)
    house.replay(number)
    with pytest.raises(RefusedError, match="were not proved"):
        house.approve(number, "pat")
    told: list[tuple[int, int]] = []
    for _ in range(2):
        check_if_outdated(house.store, house.settings, "ada", number, lambda *n: told.append(n))
    assert told == [(1, 1)]
    found = house.store.read(lambda r: proofs_of(r, known(r, number)))
    assert found
    assert [(proof.name, proof.outcome) for proof in found.proofs] == [(NAME, "proved")]
    house.approve(number, "pat")


def test_what_can_not_be_proved_may_be_approved_and_is_on_record(house: House) -> None:
    number = house.draft(KEPT)
    house.check(number)
    on_record(house, number, "not proved")
    house.replay(number)
    house.approve(number, "pat")
    entry = house.store.read(lambda r: r.audit_of(f"rules:{number}"))[-1]
    assert (entry.what, (entry.detail or {})["not proved"]) == ("approved rules", [NAME])


def test_a_refutation_stops_an_activation_and_never_a_rollback(house: House) -> None:
    number = house.draft(KEPT)
    house.check(number)
    on_record(house, number, "proved")
    house.replay(number)
    house.approve(number, "pat")
    house.approve(number, "ben")
    on_record(house, number, "refuted")
    with pytest.raises(RefusedError, match="breaks its own guarantees"):
        house.order(number)
    on_record(house, number, "proved")
    house.order(number)
    on_record(house, number, "refuted")
    other = house.approved(RULES + "\n# a word", against=number)
    house.order(other)
    house.roll_back()
    assert house.active() == number


def test_beside_a_service_it_is_proved_elsewhere_and_can_be_broken_off(house: House) -> None:
    number = house.draft(KEPT)

    def stop(done: int, of: int) -> None:
        raise RefusedError("it stops")

    def prove(progress: Progress) -> Proofs:
        return prove_version(house.store, house.settings, "ada", number, progress, apart=True)

    with pytest.raises(RefusedError, match="it stops"):
        prove(stop)
    assert house.store.read(lambda r: proofs_of(r, known(r, number))) is None
    assert [proof.outcome for proof in prove(quiet).proofs] == ["proved"]

"""The morning's data: complete, in order, and nobody in it but the invented."""

from datetime import UTC, date, datetime, timedelta

import hl7
import pytest
from msgspec.structs import replace

from verifier.demo import scenario, writer
from verifier.demo.notation import outcomes
from verifier.errors import VerifierError

DAY = date(2024, 2, 29)
MORNING = scenario.load()


def test_the_morning_is_as_large_as_promised() -> None:
    assert len({tube.id for tube in MORNING.tube}) >= 80
    assert {tube.by for tube in MORNING.tube} == set(MORNING.analyzers) == {"north", "south"}
    assert {wire.send for wire in MORNING.wire} == {"half", "garbage", "admission", "again"}


def test_every_patient_is_seen_and_no_number_is_given_twice() -> None:
    assert {tube.of for tube in MORNING.tube} - {""} == set(MORNING.patients)
    numbers = [each.number for each in MORNING.patients.values() if each.number]
    assert len(numbers) == len(set(numbers))


def test_steps_are_played_in_the_order_of_their_times() -> None:
    moments = [scenario.moment(step, DAY) for step in MORNING.steps]
    assert moments == sorted(moments)


def test_two_steps_at_one_moment_are_refused() -> None:
    with pytest.raises(VerifierError, match="two steps"):
        scenario._check(replace(MORNING, wire=(*MORNING.wire, MORNING.wire[0])))


def test_an_expectation_speaks_only_of_what_the_specimen_holds() -> None:
    holds: dict[str, set[str]] = {}
    for tube in (step for step in MORNING.steps if isinstance(step, scenario.Tube)):
        known = holds.setdefault(tube.id or tube.key, set())
        known |= set(MORNING.held_by(tube))
        assert set(outcomes(tube.expect)) <= known | set(MORNING.derived) | {"others"}, tube.key


@pytest.mark.parametrize("hour", range(24))
def test_nothing_but_one_mistake_is_collected_in_the_future(hour: int) -> None:
    now = datetime(2026, 1, 1, hour, 30, tzinfo=UTC)
    last = scenario.moment(MORNING.steps[-1], scenario.day_of(now))
    assert now - timedelta(days=2) < last <= now


def test_an_independent_reader_finds_in_each_message_what_the_data_say() -> None:
    for tube in MORNING.tube:
        raw = writer.write(tube, MORNING, DAY)
        codec = "latin-1" if tube.charset == "8859/1" else "ascii"
        message = hl7.parse(raw.decode(codec))
        held = MORNING.held_by(tube)
        in_sac = set(writer.SAC_FIELDS) if MORNING.analyzers[tube.by].indices_in_sac else set()
        assert len(message.segments("OBX")) == len(held.keys() - in_sac)
        assert str(message.segment("SPM")[2]) == tube.id
        assert str(message.segment("MSH")[10]) == writer.control_id(tube, DAY)
        assert ("PID" in {str(s[0]) for s in message}) == bool(tube.of)


def test_control_ids_are_used_once_except_where_the_data_say_so() -> None:
    own = [writer.control_id(tube, DAY) for tube in MORNING.tube if not tube.control]
    assert len(own) == len(set(own))
    again = [writer.control_id(tube, DAY) for tube in MORNING.tube if tube.control]
    assert again
    assert set(again) <= set(own)


def test_an_age_in_years_is_reached_and_the_next_one_is_not() -> None:
    for day in (DAY, date(2025, 2, 28), date(2026, 12, 31)):
        for patient in MORNING.patients.values():
            if not patient.born.endswith(" years"):
                continue
            years = int(patient.born.split()[0])
            born = datetime.strptime(writer.birth_date(patient, day), "%Y%m%d").date()  # noqa: DTZ007
            reached = day.year - born.year - ((day.month, day.day) < (born.month, born.day))
            assert reached == years

"""The invented faults against the published effects they imitate."""

import json
from random import Random

import hl7
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from . import faults
from .__main__ import lines
from .harm import critical_limits, harm
from .laboratory import year
from .messages import message, read_as
from .people import Person
from .schedule import BEGIN, Draw
from .specimens import Specimen


def specimen(**found: float) -> Specimen:
    birth = BEGIN.date().replace(year=1965)
    draw = Draw(0, Person(1, "F", birth, "inpatient", Random(1)), BEGIN, "inpatient", list(found))
    made = Specimen(draw, "T1", "SER", BEGIN, BEGIN, BEGIN, "CHEM-2")
    made.true, made.found = dict(found), dict(found)
    return made


def test_a_tenth_of_saline() -> None:
    # Mixing 154 mmol/L sodium and chloride, computed; the analytes of Spies, J Lab Med 2024.
    one = specimen(sodium=140, potassium=4, chloride=104, bicarbonate=24, calcium=2.40, glucose=5)
    faults.infusion(one, 0.10, "saline")
    assert one.found == pytest.approx(
        {"sodium": 141.4, "potassium": 3.6, "chloride": 109, "bicarbonate": 21.6,
         "calcium": 2.16, "glucose": 4.5}
    )  # fmt: skip
    assert one.kinds == {"saline 10 %"}


def test_a_tenth_of_dextrose() -> None:
    # 5 % dextrose is 277.5 mmol/L glucose, computed.
    one = specimen(glucose=5, sodium=140, potassium=4)
    faults.infusion(one, 0.10, "dextrose")
    assert one.found == pytest.approx({"glucose": 32.25, "sodium": 126, "potassium": 3.6})


def test_a_little_edta() -> None:
    # "kEDTA Sample Contamination: A Reappraisal", 2019: 0.19 mmol/L EDTA.
    one = specimen(potassium=4.54, calcium=2.40, magnesium=0.85, alp=70)
    faults.edta(one, 0.19)
    change = {name: one.found[name] / one.true[name] - 1 for name in one.found}
    assert one.found["potassium"] - 4.54 == pytest.approx(0.54, abs=0.01)
    assert change["potassium"] == pytest.approx(0.119, abs=0.002)
    assert change["calcium"] == pytest.approx(-0.01, abs=0.006)
    assert change["magnesium"] == pytest.approx(-0.024, abs=0.003)
    assert change["alp"] == pytest.approx(-0.04, abs=0.005)


def test_hemolysis_raises_potassium_as_in_patients() -> None:
    # mmol/L per g/L: 0.23 to 0.39 in volunteers (CCLM 2025;63:2198), 0.51 in patients (Mansour
    # 2009).
    rises = []
    for seed in range(300):
        one = specimen(potassium=4.0)
        one.hemoglobin = 2.0
        faults.hemolysis(one, Random(seed))
        rises.append((one.found["potassium"] - 4.0) / 2)
    assert 0.22 < min(rises) < 0.25
    assert 0.49 < max(rises) < 0.52


def test_a_specimen_that_stands() -> None:
    # Laessig, AJCP 1976;66:598: on the clot, potassium +52 % in 48 h, LDH +31 % in 24 h, glucose
    # -30 % in 24 h; the World Health Organization, from memory: 5 to 7 % an hour.
    one = specimen(potassium=4.0, ldh=200, glucose=5.0)
    faults.delay(one, 24, Random(3))
    assert one.found["potassium"] == pytest.approx(4.0 * 1.26)
    assert one.found["ldh"] == pytest.approx(262)
    assert 5.0 * 0.3 < one.found["glucose"] < 5.0 * 0.75


def test_indices_spread_as_in_routine() -> None:
    # 14 % of specimens reach 0.2 g/L and 3 % reach 0.9 g/L (letter, Ann Clin Biochem 2020).
    adults = [item for item in year(5, 3000) if item.draw.group not in {"child", "newborn"}]
    count = len(adults)
    assert 0.12 < sum(item.hemoglobin >= 0.2 for item in adults) / count < 0.16
    assert 0.02 < sum(item.hemoglobin >= 0.9 for item in adults) / count < 0.04


@pytest.mark.parametrize(
    ("name", "true", "reported", "expected"),
    [
        ("potassium", 6.1, 6.3, "critical"),  # a critical value made
        ("potassium", 2.7, 2.9, "critical"),  # and one masked
        ("potassium", 2.7, 6.3, "critical"),  # and one turned round
        ("potassium", 5.4, 5.6, "none"),  # another zone, within twice 0.3 mmol/L
        ("potassium", 4.9, 5.6, "critical"),  # another zone, beyond it
        ("potassium", 4.0, 4.7, "beyond allowable"),  # the same zone
        ("creatinine", 60.0, 90.0, "critical"),  # KDIGO 2012: factor 1.5
        ("creatinine", 30.0, 50.0, "beyond allowable"),  # a factor, but no 26.5 umol/L
        ("sodium", 140.0, 129.0, "critical"),
        ("cholesterol", 4.0, 8.0, "beyond allowable"),  # nobody is treated for it today
    ],
)
def test_harm(name: str, true: float, reported: float, expected: str) -> None:
    assert harm(name, true, reported, critical_limits(name, 50, "F")) == expected


def test_what_a_reader_takes_a_result_for_is_what_the_message_says() -> None:
    for item in year(3, 300):
        parsed = hl7.parse(message(item))
        shown = {str(obx(3)(0)(0)): str(obx(5)) for obx in parsed.segments("OBX")}
        assert str(parsed.segment("MSH")(10)) == item.key
        assert len(shown) == len(item.found) + 3 * item.indices
        for name in item.found:
            assert read_as(item, name) >= 0


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10**6), st.integers(30, 120))
def test_a_seed_says_it_all(seed: int, count: int) -> None:
    first = list(lines(seed, count))
    assert first == list(lines(seed, count))
    assert len(first) == count + 1
    assert first[1:] != list(lines(seed + 1, count))[1:]
    moments = [json.loads(line)["message"].split("|")[6] for line in first[1:]]
    assert moments == sorted(moments)

"""A site with conventional units: what leaves for the LIS, and what stays as it was sent."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from databases import database_url

from service.bench import Bench, obx_of
from service.laboratory import RULES, result_message
from verifier.store.store import Store

# 140 mmol/L of sodium, 22.990 g/mol (abridged standard atomic weight), are 321.86 mg/dL.
GAP = RULES.replace(
    "  unit mmol/L   decimals 0\n",
    "  unit mmol/L   decimals 0\n  conventional mg/dL decimals 1\n  molar mass 22.990 g/mol\n",
) + """
derive half "Half"
  unit mmol/L   decimals 0
  conventional mg/dL decimals 1
  molar mass 22.990 g/mol
  formula sodium / 3
  report as LOINC 2947-0, conventional LOINC 33037-3
  from "invented for this test"

limits for half
  from "invented for this test"
  reference 40 to 50
"""  # fmt: skip
CONVENTIONAL = (('rules = "rules"', 'rules = "rules"\nunits = "conventional"'),)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    url = database_url(tmp_path)
    with Store.open(url, checkpoints=tmp_path / "checkpoints") as opened:
        yield opened


def fields(payload: bytes, code: str) -> list[str]:
    lines = [line.split("|") for line in payload.decode().split("\r")]
    (found,) = [line for line in lines if line[0] == "OBX" and line[3].startswith(code)]
    return found


def test_a_derived_result_leaves_in_the_units_of_the_site(tmp_path: Path, store: Store) -> None:
    bench = Bench(tmp_path, store, rules=GAP, changes=CONVENTIONAL)
    bench.take(result_message("M1", results={"sodium": "140"}))
    (sent,) = bench.outbox()
    # 140 / 3 is 46.666… mmol/L; 107.2866… mg/dL, converted before it is rounded
    derived = fields(sent.payload, "33037-3")
    assert (derived[5], derived[6].split("^")[0], derived[7]) == ("107.3", "mg/dL", "91.96-114.95")
    assert fields(sent.payload, "2951-2")[5:7] == ["140", "mmol/L"]  # as the analyzer sent it
    assert obx_of(sent.payload)[-1] == ("33037-3", "107.3", "F")


def test_in_si_it_leaves_as_declared(tmp_path: Path, store: Store) -> None:
    bench = Bench(tmp_path, store, rules=GAP)
    bench.take(result_message("M1", results={"sodium": "140"}))
    derived = fields(bench.outbox()[0].payload, "2947-0")
    assert (derived[5], derived[6].split("^")[0], derived[7]) == ("47", "mmol/L", "40-50")


def test_what_is_stored_as_earlier_stays_in_the_declared_unit(tmp_path: Path, store: Store) -> None:
    bench = Bench(tmp_path, store, rules=GAP, changes=CONVENTIONAL)
    bench.take(result_message("M1", results={"sodium": "140"}))
    patient = bench.case().record.patient
    assert patient is not None
    found = store.read(lambda r: r.earlier(patient.key, since=bench.now.replace(year=2025)))
    assert [(e.unit, str(e.value.value)) for e in found["sodium"]] == [("mmol/L", "140")]
    decision = bench.case().decision
    assert decision is not None
    assert (decision.results[0].value, decision.results[0].unit) == ("321.9", "mg/dL")

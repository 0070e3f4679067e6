"""`verifier judge` at a site with its own units and parameters."""

import json
from pathlib import Path

import pytest

from verifier.cli import main

RULES = """
parameter our_limit = 30 mmol/L
  from "an example"
test glucose "Glucose"
  code LOINC 14749-6, LOINC 2345-7
  in serum
  unit mmol/L decimals 1
  conventional mg/dL decimals 0
  molar mass 180.156 g/mol
rule high for glucose
  from "an example"
  hold when result > our_limit
  because "{test} {result}"
"""
MESSAGE = (
    "MSH|^~\\&|AN1|LAB|V|LAB|20260302090000+0000||ORU^R01^ORU_R01|1|P|2.5.1\r"
    "PID|1||4711^^^HOSP^MR||Doe^Jane||19800229|F\rOBR|1|P1|F1|PANEL|||20260302080000+0000\r"
    "OBX|1|NM|{code}^Glucose^LN||{value}|{unit}|||||F\r"
    "SPM|1|S2||SER|||||||P||||||20260302080000+0000\r"
)


def judged(
    folder: Path, capsys: pytest.CaptureFixture[str], site: str, code: str, value: str, unit: str
) -> tuple[str, str, str, list[str]]:
    (folder / "rules").mkdir(exist_ok=True)
    (folder / "rules" / "a.rules").write_text(RULES, encoding="utf-8")
    config, sent = folder / "site.toml", folder / "1.hl7"
    specimens = '[connections.a]\nport = 1\nspecimens = { SER = "serum" }\n'
    config.write_text(f"{site}\n{specimens}", encoding="utf-8")
    sent.write_text(MESSAGE.format(code=code, value=value, unit=unit), newline="")
    rules = str(folder / "rules")
    assert main(["judge", str(sent), "--rules", rules, "--config", str(config), "--json"]) == 0
    (result,) = json.loads(capsys.readouterr().out)["specimens"][0]["results"]
    texts = [reason["text"] for reason in result["reasons"]]
    return result["decision"], result["value"], result["unit"], texts


@pytest.mark.parametrize(
    ("site", "sent", "expected"),
    [
        ("", ("14749-6", "31.0", "mmol/L"), ("hold", "31.0", "mmol/L", ["Glucose 31.0 mmol/L"])),
        ('units = "conventional"', ("14749-6", "31.0", "mmol/L"),
         ("hold", "558", "mg/dL", ["Glucose 558.48 mg/dL"])),
        ('units = "conventional"', ("2345-7", "559", "mg/dL"),
         ("hold", "559", "mg/dL", ["Glucose 559 mg/dL"])),
        ('units = "SI"', ("2345-7", "559", "mg/dL"),
         ("hold", "31.0", "mmol/L", ["Glucose 31.029 mmol/L"])),
        ('units = "conventional"\n[parameters]\nour_limit = "33.3 mmol/L"',
         ("2345-7", "559", "mg/dL"), ("release", "559", "mg/dL", [])),
    ],
)  # fmt: skip
def test_a_site_reads_its_units(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], site: str, sent: tuple[str, str, str],
    expected: tuple[str, str, str, list[str]],
) -> None:  # fmt: skip
    assert judged(tmp_path, capsys, site, *sent) == expected


def test_what_is_said_in_sentences(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    judged(tmp_path, capsys, 'units = "conventional"', "14749-6", "31.0", "mmol/L")
    args = ["judge", str(tmp_path / "1.hl7"), "--rules", str(tmp_path / "rules")]
    assert main([*args, "--config", str(tmp_path / "site.toml")]) == 0
    out = capsys.readouterr().out
    assert "Glucose 558 mg/dL is held" in out
    assert "Glucose = 558.48 mg/dL" in out

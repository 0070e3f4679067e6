"""The conformance report and the command that prints it."""

from pathlib import Path

import pytest
from wire import SAMPLES, name_of, sample

from verifier.cli import main
from verifier.hl7.conformance import Finding, report
from verifier.hl7.framing import wrap

ODD = {"22", "23", "31", "33", "34", "36", "38"}  # samples made to depart from the standard


@pytest.mark.parametrize("path", SAMPLES, ids=name_of)
def test_only_the_samples_made_odd_have_findings(path: Path) -> None:
    assert bool(report(path.read_bytes())) == (path.name[:2] in ODD)


def changed(old: bytes, new: bytes) -> list[Finding]:
    raw = sample("01").raw
    assert old in raw
    return report(raw.replace(old, new, 1))


@pytest.mark.parametrize(
    ("old", "new", "finding"),
    [
        (b"OBX|1|NM|", b"OBX|x|NM|", Finding("OBX[1]-1", "'x' is no number (SI)")),
        (b"|140|mmol/L|", b"|14O|mmol/L|", Finding("OBX[1]-5", "'14O' is no number (NM)")),
        (b"|140|mmol/L|", b"|140||", Finding("OBX[1]-6", "a numeric result should have a unit")),
        (b"|19720514|", b"|19720532|",
         Finding("PID[1]-7.1", "'19720532' is no date or time (DTM)")),
        (b"^Anna|", b"^Anna^^^^^^^^^^^^^^^|",
         Finding("PID[1]-5", "patient name has more components than XPN knows")),
        (b"|P|2.5.1", b"|P~T|2.5.1", Finding("MSH[1]-11", "processing id is given 2 times, not 1")),
        (b"\rSPM", b"\rPRT|1\rSPM", Finding("PRT[1]", "there is no such segment in HL7 2.5.1")),
        (b"|P^Patient^HL70369|", b"|P|" + b"|" * 40 + b"x|",
         Finding("SPM[1]-52", "there is no such field in HL7 2.5.1")),
        (b"\rSPM", b"\rTCD|K\rSPM", Finding(
            "TCD",
            "the structure of ORU^R01 in HL7 2.5.1 has no place for 1 of these where they stand",
        )),
        (b"|2.5.1", b"|2.9", Finding(
            "", "it would be refused: version '2.9' is not taken here; use one from 2.3 to 2.8"
        )),
    ],
)  # fmt: skip
def test_what_is_found(old: bytes, new: bytes, finding: Finding) -> None:
    assert finding in changed(old, new)


def test_a_value_or_a_flag_is_expected_of_a_final_result() -> None:
    assert [finding.where for finding in changed(b"|140|", b"||")] == ["OBX[1]-5"]


def test_a_missing_order_is_found() -> None:
    raw = b"\r".join(sample("01").pieces[:2])
    assert Finding(
        "", "ORU R01 ORDER OBSERVATION is required in oru r01 patient result and missing"
    ) in (report(raw))


@pytest.mark.parametrize(
    "raw", [b"", b"MSH|^~\\&", b"MSH|^~\\&|\rXX", b"MSH|^~\\&|A||||||ZZZ^Z01|1|P|2.5\rZZ1|"]
)
def test_anything_gets_a_report(raw: bytes) -> None:
    assert report(raw)


def test_the_command(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    clean, odd = (str(path) for path in SAMPLES if path.name[:2] in {"01", "22"})
    assert main(["hl7", "check", clean]) == 0
    assert capsys.readouterr().out == f"{clean}: no findings\n"
    assert main(["hl7", "check", clean, odd]) == 1
    assert capsys.readouterr().out.splitlines()[1:] == [
        f"{odd}: OBX[3]-5: '<1.0' is no number (NM)"
    ]
    assert main(["hl7", "check", str(tmp_path / "none.hl7")]) == 2
    assert "No such file" in capsys.readouterr().err


def test_the_command_reads_blocks_and_a_character_set(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    file = tmp_path / "two.hl7"
    raw = sample("19").raw.replace(b"8859/1", b"")
    file.write_bytes(wrap(raw) + wrap(sample("01").raw))
    assert main(["hl7", "check", str(file)]) == 1
    assert "not valid in the character set" in capsys.readouterr().out
    assert main(["hl7", "check", "--charset", "8859/1", str(file)]) == 0
    assert capsys.readouterr().out == f"{file}: no findings\n" * 2


def test_the_samples_are_described() -> None:
    text = (SAMPLES[0].parent / "README.md").read_text(encoding="utf-8")
    rows = [line.split("`")[1] for line in text.splitlines() if line.startswith("| `")]
    assert rows == [path.name for path in SAMPLES]

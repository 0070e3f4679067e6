"""Controls end to end: sockets, the service as a process of its own, what then leaves or stays."""

from datetime import UTC, datetime
from pathlib import Path

from service.laboratory import Laboratory, Lis, Sender, eventually, result_message
from service.test_running import mllp_send
from verifier.cli import main

LEVELS = """\
test,material,lot,level,mark,unit,mean,sd,expires
potassium,Serum,A1,low,QC-L,mmol/L,3.0,0.1,2099-12-31
potassium,Serum,A1,high,QC-H,mmol/L,6.0,0.1,2099-12-31
"""
# An own message of the structure OUL_R22 of HL7 v2.5.1, section 7.3.6: a control has no PID; SPM-11
# Q says what it is (table 0369), INV-16 names the lot of the control.
CONTROL = "\r".join(
    [
        "MSH|^~\\&|ANALYZER|LAB|VERIFIER|LAB|20260105080000+0000||OUL^R22^OUL_R22|{number}|P|2.5.1",
        "SPM|1|QC-{level}-1||SER^Serum^HL70487|||||||Q^Control specimen^HL70369",
        "SAC|||QC-{level}-1",
        "INV|QC^Control^L|OK^OK^HL70383|CO^Control^HL70384|||||||||||||A1",
        "OBR|1||QC-{level}-1|K^Potassium^L",
        "OBX|1|NM|2823-3^Potassium^LN||{value}|mmol/L|||||F",
        "",
    ]
)


def potassium(number: str) -> bytes:
    return result_message(number, specimen=number, patient=number, results={"potassium": "4.1"})


def by_mark(number: str, specimen: str, value: str) -> bytes:
    """An ORU^R01 that looks like a patient's: only the specimen id tells that it is a control."""
    raw = result_message(number, specimen=specimen, results={"potassium": value})
    return raw.replace(b"20260105070000", f"{datetime.now(UTC):%Y%m%d%H%M%S}".encode())


def test_controls_gate_what_leaves_however_they_are_marked(tmp_path: Path) -> None:
    with Lis() as lis:
        laboratory = Laboratory(tmp_path, lis.port)
        text = laboratory.config.read_text().replace(
            'specimens = { SER = "serum" }', 'specimens = { SER = "serum" }\ncontrols = ["QC-"]', 1
        )
        laboratory.config.write_text(text)
        file = tmp_path / "levels.csv"
        file.write_text(LEVELS)
        assert main(["quality", "define", str(file), "--config", str(laboratory.config)]) == 0
        laboratory.start()
        try:
            _play(laboratory, lis, tmp_path)
        finally:
            laboratory.stop()


def _play(laboratory: Laboratory, lis: Lis, folder: Path) -> None:
    def left() -> list[str]:
        sent = b"".join(lis.received)
        return [name for name in "ABDN" if f"SPM|1|{name}|".encode() in sent]

    low = folder / "low.hl7"
    low.write_bytes(CONTROL.format(number="C1", level="L", value="3.02").encode())
    assert "MSA|AA|C1" in mllp_send(laboratory.chem, low)
    with Sender(laboratory.chem) as sender:
        assert b"MSA|AA|A" in sender.send(potassium("A"))
        assert b"MSA|AA|C2" in sender.send(by_mark("C2", "QC-H-7", "5.98"))
        assert b"MSA|AA|B" in sender.send(potassium("B"))
        eventually(lambda: left() == ["B"])
        failing = CONTROL.format(number="C3", level="H", value="6.4").encode()
        assert b"MSA|AA|C3" in sender.send(failing)
        assert sender.send(failing).split(b"\r")[1] == b"MSA|AA|C3"
        assert b"MSA|AA|D" in sender.send(potassium("D"))
        other = result_message("N", specimen="N", patient="N")
        assert b"MSA|AA|N" in sender.send(other)
        eventually(lambda: "N" in left())
    assert left() == ["B", "N"], "neither A, before the second level was in, nor D, after it failed"

"""The demo's LIS over a real socket, written to and read by an independent library."""

import asyncio

import hl7

from verifier.demo.receiver import Line, Received, Receiver
from verifier.demo.wire import Link

MESSAGE = (
    "MSH|^~\\&|VERIFIER|LAB|LIS||20260102030405+0000||ORU^R01^ORU_R01|V1|P|2.5.1\r"
    "PID|1||F-1^^^FERNMOOR^MR||Sedge^Tuff\r"
    "OBR|1|FM-1|FM-1|PANEL^Chemistry^L\r"
    "OBX|1|NM|2823-3^Potassium^LN||6.4|mmol/L||HH|||F\r"
    "NTE|1||called\r"
    "OBX|2|SN|14682-9^Creatinine^LN||<^10|umol/L|||||C\r"
    "SPM|1|FM-1\r"
)


def exchange(refuses: set[str], times: int) -> tuple[list[hl7.Message], list[Received]]:
    async def talk() -> tuple[list[hl7.Message], list[Received]]:
        told: list[Received] = []
        receiver = Receiver(refuses, told.append)
        link = Link(await receiver.listen())
        answers = [await link.send(MESSAGE.encode("ascii")) for _ in range(times)]
        await link.close()
        await receiver.close()
        assert told == receiver.received
        return [hl7.parse(answer.decode("ascii")) for answer in answers], told

    return asyncio.run(talk())


def test_what_arrives_is_understood_and_acknowledged() -> None:
    (answer,), (received,) = exchange(set(), 1)
    assert str(answer.segment("MSA")[1]) == "AA"
    assert str(answer.segment("MSA")[2]) == "V1"
    assert received.specimen == "FM-1"
    assert received.notes == ("called",)
    assert received.lines == (
        Line("2823-3", "Potassium", "6.4", "mmol/L", "F", "HH"),
        Line("14682-9", "Creatinine", "<10", "umol/L", "C"),
    )
    assert [str(line) for line in received.lines] == [
        "Potassium 6.4 mmol/L HH (final)",
        "Creatinine <10 umol/L (corrected)",
    ]


def test_a_specimen_is_refused_once() -> None:
    answers, received = exchange({"FM-1"}, 2)
    assert [str(answer.segment("MSA")[1]) for answer in answers] == ["AE", "AA"]
    assert [each.answer for each in received] == ["AE", "AA"]

"""A titer from the message to the decision and out again, by real rules."""

from datetime import UTC, datetime

import pytest

from verifier.decide.decide import decide
from verifier.decide.offline import Judged, Offline
from verifier.decide.present import specimen_json
from verifier.facts.catalogue import ConnectionMap
from verifier.hl7.message import Message
from verifier.hl7.outgoing import Change, Header, build_report
from verifier.language import check
from verifier.store import codec

NOW = datetime(2026, 3, 31, tzinfo=UTC)
RULES = """
test ana "ANA"
  code LOINC 5048-4
  in serum
  titer

limits for ana
  from "an example"
  reference below 1:80
  critical 1:640 or above

rule critical for every test
  from "an example"
  hold when result is critical
  because "{test} {result} is beyond {limit}"

rule risen for ana
  from "an example"
  hold when result / previous(result within 9 days) >= 4
  when unknown ignore
  because "{test} rose from {earlier} to {result}"
"""
PROGRAM = check({"a.rules": RULES}).program


def sent(value: str, kind: str = "SN", day: int = 2) -> Message:
    taken = f"202603{day:02}080000+0000"
    return Message.read(
        "\r".join(
            [
                f"MSH|^~\\&|AN1|LAB|V|LAB|202603{day:02}090000+0000||ORU^R01^ORU_R01|1|P|2.5.1",
                "PID|1||4711^^^HOSP^MR||Doe^Jane||19800229|F",
                f"OBR|1|P1|F1|PANEL|||{taken}",
                f"OBX|1|{kind}|5048-4^ANA^LN||{value}||||||F",
                f"SPM|1|S{day}||SER|||||||P||||||{taken}",
            ]
        ).encode()
    )


def judged(*messages: Message) -> Judged:
    assert PROGRAM is not None
    connection = ConnectionMap("file", specimens={"SER": "serum"})
    offline = Offline(PROGRAM, connection, {"ana": "in control"})
    items = [item for message in messages for item in offline.judge(message, NOW)]
    return items[-1]


@pytest.mark.parametrize(
    ("kind", "value", "outcome", "shown", "flag"),
    [
        ("SN", "^1^:^40", "release", "1:40", "N"),
        ("SN", "<^1^:^10", "release", "<1:10", "N"),
        ("ST", "1:160", "release", "1:160", "H"),
        ("TX", "1:640", "hold", "1:640", "HH"),
        ("SN", ">^1^:^1280", "hold", ">1:1280", "HH"),
        ("ST", ">1:320", "hold", ">1:320", "H"),
        ("NM", "160", "hold", "160", ""),
        ("ST", "160", "hold", "160", ""),
        ("ST", "positive", "hold", "positive", ""),
    ],
)
def test_a_titer_is_judged_and_shown(
    kind: str, value: str, outcome: str, shown: str, flag: str
) -> None:
    item = judged(sent(value, kind))
    (result,) = specimen_json(item.case, item.decision)["results"]
    said = (result["decision"], result["value"], result["unit"], result["flag"] or "")
    assert said == (outcome, shown, "", flag)


def test_a_rise_is_told_in_dilutions_and_a_stored_case_decides_the_same() -> None:
    item = judged(sent("^1^:^20", day=2), sent("^1^:^80", day=5))
    (result,) = item.decision.results
    assert [reason.text for reason in result.reasons] == ["ANA rose from 1:20 to 1:80"]
    assert PROGRAM is not None
    assert decide(codec.read_case(codec.pack(item.case)), PROGRAM) == item.decision


@pytest.mark.parametrize(("kind", "value"), [("SN", "<^1^:^10"), ("ST", "= 1:40"), ("TX", "1:40")])
def test_what_leaves_is_what_the_sender_wrote(kind: str, value: str) -> None:
    message = sent(value, kind)
    (result,) = judged(message).decision.results
    assert result.outcome == "release"
    header = Header("V", "L", "R", "F", "V1", NOW)
    (obx,) = message.all("OBX")
    raw = build_report(message, keep={obx.index: Change("F", result.flag)}, header=header)
    (out,) = Message.read(raw).all("OBX")
    assert [out.field(n) for n in range(1, 8)] == [obx.field(n) for n in range(1, 8)]

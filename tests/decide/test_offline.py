"""Messages in order with the history in memory, and the command around it."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from verifier.cli import main
from verifier.decide.offline import Offline
from verifier.facts.case import Case
from verifier.facts.catalogue import Catalogue, ConnectionMap, TestDefinition
from verifier.facts.verdicts import Judgement, Reason
from verifier.hl7.message import Message

RULES = Path(__file__).parents[2] / "rules"
POTASSIUM = TestDefinition("potassium", "Potassium", (("LN", "2823-3"),), unit="mmol/L")


class Watching:
    """A rule set that holds nothing, or one value, and remembers the cases it saw."""

    identity = "0"
    catalogue = Catalogue({"potassium": POTASSIUM}, {("LN", "2823-3"): "potassium"})
    longest_window = timedelta(days=3)
    needs_preceding: frozenset[str] = frozenset()

    def __init__(self, held: str = "") -> None:
        self.cases: list[Case] = []
        self._held = held

    def judge(self, case: Case) -> Judgement:
        self.cases.append(case)
        hold = Reason("test", "hold", "held for the test")
        reasons = {at: (hold,) for at, r in enumerate(case.results) if r.sent_text == self._held}
        return Judgement(reasons, frozenset(range(len(case.results))))


def text_of(
    specimen: str, day: int, value: str, *, status: str = "F", patient: str = "4711", id_: str = "1"
) -> str:
    taken = f"202603{day:02}080000+0000"
    return "\r".join(
        [
            f"MSH|^~\\&|AN1|LAB|V|LAB|202603{day:02}090000+0000||ORU^R01^ORU_R01|{id_}|P|2.5.1",
            f"PID|1||{patient}^^^HOSP^MR||Doe^Jane||19800229|F",
            f"OBR|1|P1|F1|PANEL|||{taken}",
            f"OBX|1|NM|2823-3^Potassium^LN||{value}|mmol/L|||||{status}",
            f"SPM|1|{specimen}||SER|||||||P||||||{taken}",
        ]
    )


def judged(offline: Offline, text: str) -> str:
    now = datetime(2026, 3, 31, tzinfo=UTC)
    (item,) = offline.judge(Message.read(text.encode()), now)
    return item.decision.results[0].outcome if item.decision.results else "nothing open"


def offline_with(rules: Watching) -> Offline:
    return Offline(rules, ConnectionMap("file"), {"potassium": "in control"})


def test_a_released_result_becomes_an_earlier_one() -> None:
    rules = Watching(held="9.9")
    offline = offline_with(rules)
    for number, (day, value) in enumerate([(1, "4.0"), (2, "9.9"), (3, "4.2"), (4, "4.3")]):
        judged(offline, text_of(f"S{number}", day, value))
    seen = [[e.specimen for e in c.earlier.get("potassium", ())] for c in rules.cases]
    # Newest first; S1 was held; at S3 the first is exactly as old as the window, and counts.
    assert seen == [[], ["S0"], ["S0"], ["S2", "S0"]]


def test_other_patients_and_later_specimens_are_no_history() -> None:
    rules = Watching()
    offline = offline_with(rules)
    judged(offline, text_of("S1", 2, "4.0"))
    judged(offline, text_of("S2", 3, "4.0", patient="4712"))
    judged(offline, text_of("S3", 1, "4.0"))
    assert [dict(c.earlier).get("potassium", ()) for c in rules.cases] == [(), (), ()]


def test_a_repeat_has_nothing_left_to_decide() -> None:
    offline = offline_with(Watching())
    assert judged(offline, text_of("S1", 1, "4.0")) == "release"
    assert judged(offline, text_of("S1", 1, "4.0", id_="2")) == "nothing open"


def test_a_correction_of_a_released_result_is_held_and_leaves_the_history() -> None:
    rules = Watching()
    offline = offline_with(rules)
    judged(offline, text_of("S1", 1, "4.0"))
    assert judged(offline, text_of("S1", 1, "6.0", status="C")) == "hold"
    judged(offline, text_of("S2", 2, "4.0"))
    assert rules.cases[-1].earlier["potassium"] == ()


def test_specimens_without_identifier_are_never_joined() -> None:
    rules = Watching()
    offline = offline_with(rules)
    bare = [line for line in text_of("", 1, "4.0").split("\r") if not line.startswith("SPM")]
    bare[2] = "OBR|1"
    assert judged(offline, "\r".join(bare)) == "hold"
    assert judged(offline, "\r".join(bare)) == "hold"
    assert [len(c.results) for c in rules.cases] == [1, 1]


@pytest.fixture(scope="module")
def shipped() -> str:
    return str(RULES)


def run(capsys: pytest.CaptureFixture[str], *args: str) -> tuple[int, str, str]:
    code = main(["judge", *args])
    captured = capsys.readouterr()
    return code, captured.out, captured.err


def test_the_fixed_form(tmp_path: Path, shipped: str, capsys: pytest.CaptureFixture[str]) -> None:
    first, second, broken = (tmp_path / name for name in ("1.hl7", "2.hl7", "3.hl7"))
    first.write_text(text_of("S1", 1, "6.9"), newline="")
    second.write_text(text_of("S2", 2, "4.1", id_="2"), newline="")
    broken.write_text("MSH|^~\\&|A|B|C|D|2026||ADT^A08|3|P|2.5.1\rPID|1", newline="")
    files = [str(first), str(second), str(broken)]
    code, out, err = run(capsys, *files, "--rules", shipped, "--json")
    assert code == 1
    assert "taken as in control" in err
    answers = [json.loads(line) for line in out.splitlines()]
    assert [a["ack"] for a in answers] == ["AA", "AA", "AR"]
    assert [a["control_id"] for a in answers] == ["1", "2", "3"]
    (specimen,) = answers[0]["specimens"]
    assert set(specimen) == {"specimen", "patient", "results"}
    assert (specimen["specimen"], specimen["patient"]) == ("S1", "HOSP^MR^4711")
    potassium = specimen["results"][0]
    assert set(potassium) == {
        "test", "code", "value", "unit", "decision", "flag", "reasons", "comments",
    }  # fmt: skip
    assert (potassium["test"], potassium["value"]) == ("potassium", "6.9")
    assert potassium["decision"] == "hold"
    assert any(reason["rule"] == "critical" for reason in potassium["reasons"])
    assert "ADT" in answers[2]["error"]


def test_the_same_files_give_the_same_bytes(
    tmp_path: Path, shipped: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "1.hl7"
    path.write_text(text_of("S1", 1, "6.9"), newline="")
    one = run(capsys, str(path), "--rules", shipped, "--json")
    assert one == run(capsys, str(path), "--rules", shipped, "--json")


def test_sentences_for_people(
    tmp_path: Path, shipped: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "1.hl7"
    path.write_text(text_of("S1", 1, "6.9"), newline="")
    code, out, _ = run(capsys, str(path), "--rules", shipped)
    assert code == 0
    assert out.startswith("Message 1: AA\n Specimen S1, patient HOSP^MR^4711\n")
    assert "Potassium 6.9 mmol/L [HH] is held:" in out


def test_control_states_from_a_file(
    tmp_path: Path, shipped: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path, quality = tmp_path / "1.hl7", tmp_path / "quality.toml"
    path.write_text(text_of("S1", 1, "4.1"), newline="")
    quality.write_text('potassium = "out of control"\n')
    _, out, err = run(capsys, str(path), "--rules", shipped, "--quality", str(quality), "--json")
    (potassium,) = json.loads(out)["specimens"][0]["results"]
    rules = [reason["rule"] for reason in potassium["reasons"]]
    assert "built-in:quality-control" in rules
    assert "not named in --quality" in err


@pytest.mark.parametrize(
    ("content", "part"),
    [
        ('kalium = "in control"', "no test 'kalium'"),
        ('potassium = "fine"', "none of: in control, out of control, unknown"),
        ("potassium =", "no readable TOML"),
    ],
)
def test_a_quality_file_that_can_not_be_used(
    tmp_path: Path, shipped: str, capsys: pytest.CaptureFixture[str], content: str, part: str
) -> None:
    path, quality = tmp_path / "1.hl7", tmp_path / "quality.toml"
    path.write_text(text_of("S1", 1, "4.1"), newline="")
    quality.write_text(content)
    code, _, err = run(capsys, str(path), "--rules", shipped, "--quality", str(quality))
    assert code == 2
    assert part in err


def test_a_missing_file(tmp_path: Path, shipped: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run(capsys, str(tmp_path / "none.hl7"), "--rules", shipped)
    assert code == 2
    assert "none.hl7" in err


def test_blocks_and_several_messages_in_one_file(
    tmp_path: Path, shipped: str, capsys: pytest.CaptureFixture[str]
) -> None:
    one, two = text_of("S1", 1, "4.1"), text_of("S2", 2, "4.2", id_="2")
    blocks, lines = tmp_path / "blocks.hl7", tmp_path / "lines.hl7"
    blocks.write_bytes(b"".join(b"\x0b" + t.encode() + b"\r\x1c\r" for t in (one, two)))
    lines.write_text(f"{one}\r{two}\r".replace("\r", "\n"))
    outputs = [run(capsys, str(p), "--rules", shipped, "--json")[1] for p in (blocks, lines)]
    assert outputs[0] == outputs[1]
    assert len(outputs[0].splitlines()) == 2


def test_bytes_that_are_no_message(
    tmp_path: Path, shipped: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "x.hl7"
    path.write_bytes(b"\x00\x01 nothing of the kind")
    code, out, _ = run(capsys, str(path), "--rules", shipped, "--json")
    assert code == 1
    answer = json.loads(out)
    assert answer["ack"] in {"AE", "AR"}
    assert answer["error"]
    assert answer["specimens"] == []


def test_the_mapping_of_a_connection(
    tmp_path: Path, shipped: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path, config = tmp_path / "1.hl7", tmp_path / "verifier.toml"
    path.write_text(text_of("S1", 1, "4.1").replace("2823-3^Potassium^LN", "KAL"), newline="")
    config.write_text('[connections.a]\nport = 2575\ntests = { KAL = "potassium" }\n')
    args = [str(path), "--rules", shipped, "--json"]
    _, plain, _ = run(capsys, *args)
    assert json.loads(plain)["specimens"][0]["results"][0]["test"] == ""
    _, mapped, _ = run(capsys, *args, "--config", str(config))
    assert json.loads(mapped)["specimens"][0]["results"][0]["test"] == "potassium"
    code, _, err = run(capsys, *args, "--config", str(config), "--connection", "b")
    assert code == 2
    assert "known: a" in err

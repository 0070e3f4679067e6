"""What real lines bring that they should not, over a real socket: the answer, and what is kept.

One row per case: what goes wrong in our words, the bytes, the answers (MSA-1, and the code of HL7
table 0357 where there is one), the state of the results, and the words of the problem a person is
shown. `ELSEWHERE` names the tests of what needs another bench: our own failures, the sending side.

The cases are gathered from public issue trackers of HL7 libraries and from reading the standard.
Where no clause is named the safe answer is common practice, no source.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from importlib import import_module

import pytest
from databases import database_url

from service.door import Door, opened
from service.laboratory import END, START, Sender, result_message
from verifier.store.store import Store

LIMIT = 3_000_000
IDLE = 1.0


def oru(number: int) -> bytes:
    """A good message of specimen S<number> of patient P<number>."""
    return result_message(f"C{number}", specimen=f"S{number}", patient=f"P{number}")


def block(payload: bytes) -> bytes:
    return START + payload + END


def changed(number: int, *pairs: tuple[str, str]) -> bytes:
    """A good message of specimen S<number> in a block, with texts in it replaced."""
    text = oru(number).decode()
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    return block(text.encode("latin-1"))


def value(number: int, text: str, kind: str = "NM") -> bytes:
    return changed(number, ("|NM|", f"|{kind}|"), ("||140|", f"||{text}|"))


@dataclass(frozen=True)
class Case:
    """`states` are those of the entries by specimen; none of a specimen: it must not be known."""

    name: str
    stream: Sequence[bytes]
    answers: Sequence[str]
    states: dict[str, str] = field(default_factory=dict)
    problems: Sequence[str] = ()
    closes: bool = False


def good(name: str, number: int, *stream: bytes, answers: int = 1) -> Case:
    """A case of one specimen that is taken like any other."""
    return Case(name, stream, ["AA"] * answers, {f"S{number}": "released"})


def held(name: str, number: int, *stream: bytes) -> Case:
    return Case(name, stream, ["AA"] * len(stream), {f"S{number}": "open"})


def refused(name: str, number: int, stream: bytes, answer: str, problem: str) -> Case:
    return Case(name, [stream], [answer], {f"S{number}": ""}, [problem])


FRAMING = [
    good("one byte at a time, the end of the block too", 1,
         *(bytes([byte]) for byte in block(oru(1)))),
    Case("two blocks and a half in one write, the rest later",
         [block(oru(2)) + block(oru(3)) + block(oru(4))[:80], block(oru(4))[80:]],
         ["AA", "AA", "AA"], {"S2": "released", "S3": "released", "S4": "released"}),
    good("no segment end before the end of the block", 5, block(oru(5).rstrip(b"\r"))),
    Case("half an end of block, then silence", [START + oru(6) + b"\x1c"], [], {"S6": ""},
         ["the connection ended inside a block"], closes=True),
    Case("half an end of block, then the next block", [START + oru(7) + b"\x1c" + block(oru(8))],
         ["AA"], {"S7": "", "S8": "released"}, ["a new block began inside a block"]),
    Case("a block that never ends", [START + b"x" * (LIMIT + 100_000)], [], {},
         ["no end of block within"], closes=True),
    Case("a new block begins inside an open one", [START + oru(9)[:150] + block(oru(10))], ["AA"],
         {"S9": "", "S10": "released"}, ["a new block began inside a block"]),
    Case("noise before and between blocks",
         [b"\0\nHELLO" + block(oru(11)) + b"\n" + block(oru(12))], ["AA", "AA"],
         {"S11": "released", "S12": "released"}, ["bytes outside of any block"]),
    good("begin and end of the block sent twice", 13, START + block(oru(13)) + END),
    Case("an empty block, blanks, text without header, then a message",
         [block(b""), block(b" \r "), block(b"hello"), block(oru(14))], ["AA"],
         {"S14": "released"}, ["no MSH"] * 3),
]  # fmt: skip
READING = [
    good("line feeds for segment ends", 15, block(oru(15).replace(b"\r", b"\n"))),
    good("segment ends doubled with line feeds", 16, block(oru(16).replace(b"\r", b"\r\n"))),
    good("a line feed inside a field", 17, block(oru(17) + b"NTE|1|L|one\ntwo\r")),
    held("a segment hidden behind a line feed", 18, block(oru(18) + b"NTE|1|L|x\nOBX|9|NM\r")),
    good("a byte order mark before the header", 19, block(b"\xef\xbb\xbf" + oru(19))),
    good("blanks before the header", 20, block(b" \r\n" + oru(20))),
    # Five encoding characters are the standard's from HL7 2.7 on.
    good("a fifth encoding character too early", 21, changed(21, ("\\&|", "\\&#|"))),
    good("other delimiters (HL7 v2.5.1 section 2.5.4)", 22,
         block(oru(22).translate(bytes.maketrans(b"|^~\\&", b"#*!$%")))),
    refused("one encoding character twice", 23, changed(23, ("^~\\&|", "^^\\&|")), "AR 100",
            "different punctuation"),
    refused("encoding characters missing", 24, changed(24, ("|^~\\&|", "|^~|")), "AR 100",
            "MSH-2 has 2 characters"),
    refused("no control id", 25, changed(25, ("|C25|", "||")), "AE 101", "no control id"),
    refused("another kind of message", 26, changed(26, ("ORU^R01", "MDM^T02")), "AR 200", "'MDM'"),
    refused("a kind of the sender's own", 27, changed(27, ("ORU^R01", "ZZZ^Z01")), "AR 200",
            "'ZZZ'"),
    refused("an event that is not taken", 28, changed(28, ("ORU^R01", "ORU^R99")), "AR 201",
            "'R99'"),
    refused("a patient registry at the wrong door", 29, changed(29, ("ORU^R01", "ADT^A40")),
            "AR 200", "'ADT'"),
    refused("no version", 30, changed(30, ("|P|2.5.1", "|P|")), "AR 203", "version ''"),
    refused("a version to come", 31, changed(31, ("|P|2.5.1", "|P|2.9")), "AR 203",
            "version '2.9'"),
    refused("no version at all", 32, changed(32, ("|P|2.5.1", "|P|2.3.z")), "AR 203", "'2.3.z'"),
    refused("training on a production port", 33, changed(33, ("|P|2.5.1", "|T|2.5.1")), "AR 202",
            "processing id 'T'"),
    refused("bytes that are not of the declared set", 34,
            changed(34, ("|P|2.5.1", "|P|2.5.1||||||UNICODE UTF-8"), ("Test^P", "T\xe9st^P")),
            "AE 102", "not valid in the character set"),
    refused("Latin letters, no set declared", 35, changed(35, ("Test^P", "T\xe9st^P")), "AE 102",
            "not valid in the character set"),
    refused("an unknown character set", 36, changed(36, ("|P|2.5.1", "|P|2.5.1||||||EBCDIC")),
            "AE 103", "not known here"),
    Case("the same message again, and on another connection", [block(oru(37)), block(oru(37))],
         ["AA", "AA"], {"S37": "released"}),
    # Analyzers count from 1 again after a restart: taken, and a person is told.
    Case("a control id used again with other content",
         [block(oru(38)), block(oru(39).replace(b"|C39|", b"|C38|"))], ["AA", "AA"],
         {"S38": "released", "S39": "released"}, ["control id used before"]),
    refused("two messages in one block", 40, block(oru(40) + oru(41)), "AR 100", "a second MSH"),
]  # fmt: skip
TWO = "PID|1||P42^^^LAB^MR||A^B||19700101|F\rPID|2||Q42"
CONTENT = [
    held("two patients before one order", 42, changed(42, ("PID|1||P42", TWO))),
    held("a result before any order", 43, changed(43, ("OBR|", "OBX|9|NM|X||1||||||F\rOBR|"))),
    held("an order without patient", 44,
         changed(44, ("PID|1||P44^^^LAB^MR||Test^Patient||19700101|F\r", ""))),
    good("local segments between order and result", 45,
         changed(45, ("OBX|", "ZZ1|kept\rPRT|1\rOBX|"))),
    held("an empty value", 46, value(46, "")),
    held("the null for a value (HL7 v2.5.1 section 2.5.3)", 47, value(47, '""')),
    held("a comparator under NM", 48, value(48, "<5")),
    held("a decimal comma", 49, value(49, "5,1")),
    held("an exponent (NM has none, HL7 v2.5.1 section 2.A.47)", 50, value(50, "1e5")),
    held("not a number", 51, value(51, "NaN")),
    held("dashes", 52, value(52, "----")),
    held("four hundred digits", 53, value(53, "1" * 400)),
    held("a value that repeats", 54, value(54, "140~141")),
    held("no value type", 55, value(55, "140", "")),
    held("an unknown value type", 56, value(56, "140", "QQ")),
    held("another unit", 57, changed(57, ("mmol/L", "g/L"))),
    held("no unit", 58, changed(58, ("mmol/L", ""))),
    held("no result status", 59, changed(59, ("|||||F", ""))),
    held("an unknown result status", 60, changed(60, ("|||||F", "|||||Q"))),
    held("a correction of nothing", 61, changed(61, ("|||||F", "|||||C"))),
    held("a collection time that is none", 62,
         changed(62, ("|||20260105070000+0000", "|||20240231"),
                 ("20260105070000", "20260105070000+1500"))),
    held("a collection time to come", 63, changed(63, ("|P|||||20260105", "|P||||||20960105"))),
    Case("a control specimen", [changed(64, ("|||||||P|", "|||||||Q|"))], ["AA"], {"S64": ""}),
    Case("a calibrator with a patient's name", [changed(65, ("|||||||P|", "|||||||C|"))],
         ["AA"], {"S65": ""}),
    good("escapes, known and unknown, and a lone one", 66,
         changed(66, ("^Patient|", "^P\\T\\\\.br\\\\X0D\\OBX\\Q\\ \\|"))),
    held("control characters in a name", 67, changed(67, ("^Patient|", "^P\x01\x02|"))),
    held("a hundred thousand separators in a field", 68, value(68, "^" * 100_000)),
    held("a hundred thousand repetitions", 69, value(69, "~" * 100_000)),
    good("two megabytes of picture beside the result", 70,
         block(oru(70) + b"OBX|2|ED|PIC^P^L||A^B^C^Base64^" + b"A" * 2_000_000 + b"||||||F\r")),
    good("eight hundred unknown results beside a known one", 71,
         block(oru(71) + b"".join(b"OBX|%d|NM|L%d^X^L||1||||||F\r" % (n, n) for n in range(800)))),
    held("one specimen of two patients", 72,
         block(oru(72)), block(oru(72).replace(b"|C72|", b"|D72|").replace(b"|P72^", b"|Q72^")
                               .replace(b"||140|", b"||141|"))),
]  # fmt: skip
CASES = [*FRAMING, *READING, *CONTENT]

ELSEWHERE = {
    "the sender closes inside a block": "test_listening.test_a_block_cut_off_by_the_peer_is_kept_"
    "and_never_parsed",
    "more connections than allowed": "test_listening.test_more_connections_than_allowed_are_closed_"
    "and_the_others_go_on",
    "endless noise": "test_listening.test_endless_noise_does_not_fill_the_database",
    "the database refuses": "test_listening.test_without_a_commit_there_is_no_answer",
    "a failure of ours": "test_listening.test_a_failure_inside_keeps_the_message_and_the_"
    "connection",
    "the same message after a restart": "test_running.test_a_resend_gets_the_same_bytes_and_has_no_"
    "second_effect",
    "batches, with a count that is wrong": "test_batches_on_the_wire.test_batches",
    "another final value without correction": "test_line.test_a_correction_of_what_left_is_held_"
    "then_leaves_as_c",
    "a result withdrawn after it left": "test_line.test_a_withdrawal_of_what_left_is_passed_on_at_"
    "once",
    "no answer of the LIS": "test_forwarding.test_without_an_answer_the_same_control_id_goes_again",
    "an answer of the LIS to something else": "test_forwarding.test_an_answer_to_something_else_"
    "confirms_nothing",
    "a late answer of the LIS": "test_forwarding.test_a_late_answer_confirms_only_its_own_message",
    "an answer of the LIS that is none": "test_bad_answers.test_what_is_no_answer_confirms_nothing",
    "the LIS refuses": "test_forwarding.test_a_refused_message_stops_nothing_and_is_shown",
}


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    folder = tmp_path_factory.mktemp("door")
    narrow = {"max_message_bytes": LIMIT, "idle_seconds": IDLE}
    with (
        Store.open(database_url(folder), checkpoints=folder / "checkpoints") as store,
        opened(folder, store, **narrow) as door,
    ):
        yield door


def told(answer: bytes) -> str:
    """MSA-1, and the code of the first error."""
    separator = re.escape(answer[3:4])
    code = re.search(rb"\rMSA" + separator + rb"(..)", answer)
    error = re.search(rb"\rERR" + separator + rb"[^\r]*?" + separator + rb"(\d{3})\W", answer)
    assert code
    return (code[1] + (b" " + error[1] if error else b"")).decode()


def state(door: Door, specimen: str) -> str:
    """The state of the entry the case is about; empty for an unknown specimen."""
    case = door.store.read(lambda reader: reader.case_by_specimen(specimen))
    return case.record.entries[-1 if specimen == "S72" else 0].state if case else ""


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_bad_input(door: Door, case: Case) -> None:
    before = len(door.problems())
    with Sender(door.port) as sender:
        for piece in case.stream:
            sender.write(piece)
        answers = [told(sender.answer()) for _ in case.answers]
        if case.closes:
            with pytest.raises(ConnectionError):
                sender.answer()
        else:
            assert sender.nothing_comes(0.02)
    assert answers == list(case.answers)
    assert {name: state(door, name) for name in case.states} == case.states
    problems = list(reversed(door.problems()[: len(door.problems()) - before]))
    assert len(problems) == len(case.problems)
    for problem, words in zip(problems, case.problems, strict=True):
        assert words in (problem.error or problem.note)
    sent = b"".join(row.payload for row in door.store.read(lambda r: r.outbox("lis", 1000)))
    for name, expected in case.states.items():
        if name != "S72":  # its first message left as it should
            number = name.removeprefix("S").encode()
            assert (b"|P%s^" % number in sent or b"#P%s*" % number in sent) == (
                expected == "released"
            )


def test_what_was_taken_leaves_as_it_was_sent(door: Door) -> None:
    """Line feeds, escapes and local segments of the cases above stand in what went out."""
    payloads = {
        b"one\ntwo": changed(81, ("SPM|", "NTE|1|L|one\ntwo\rSPM|")),
        b"ZZ1|kept\rPRT|1\rOBX|": changed(82, ("OBX|", "ZZ1|kept\rPRT|1\rOBX|")),
        b"^P\\T\\\\.br\\\\X0D\\OBX\\Q\\ \\|": changed(
            83, ("^Patient|", "^P\\T\\\\.br\\\\X0D\\OBX\\Q\\ \\|")
        ),
    }
    with Sender(door.port) as sender:
        for kept, raw in payloads.items():
            sender.write(raw)
            assert told(sender.answer()) == "AA"
            number = re.search(rb"\|(P\d+\^)", raw)
            assert number
            rows = door.store.read(lambda reader: reader.outbox("lis", 1000))
            (left,) = [row.payload for row in rows if number[1] in row.payload]
            assert kept in left


@pytest.mark.parametrize(("what", "where"), ELSEWHERE.items(), ids=str)
def test_the_other_cases_have_their_tests(what: str, where: str) -> None:
    module, _, name = where.partition(".")
    assert callable(getattr(import_module(f"service.{module}"), name)), what

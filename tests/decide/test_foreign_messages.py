"""Whatever arrives, nothing raises and nothing unknown leaves."""

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.decide.explain import sentences
from verifier.decide.offline import Offline
from verifier.facts.case import Case
from verifier.facts.catalogue import Catalogue, ConnectionMap
from verifier.facts.verdicts import Judgement
from verifier.hl7.message import Message, Unreadable

NOW = datetime(2026, 3, 2, tzinfo=UTC)
BESIDE = Path(__file__).parents[2].parent / "shared" / "corpus"
CORPUS = Path(os.environ.get("VERIFIER_CORPUS", BESIDE))
SEGMENTS = [
    "MSH|^~\\&|A|B|C|D|20260302||ORU^R01|1|P|2.5.1",
    "PID|1||1^^^H^MR||Doe|",
    "OBR|1|P|F||||20260302",
    "OBX|1|NM|2823-3^K^LN||4|mmol/L|||||F",
    "SPM|1|S1||SER",
    "SAC|||S1",
    "ORC|RE",
    "PV1|1|I",
    "ZZZ|x",
]


class Nothing:
    """A rule set without a single test."""

    identity = ""
    catalogue = Catalogue({}, {})
    longest_window = timedelta(0)
    needs_preceding: frozenset[str] = frozenset()

    def judge(self, case: Case) -> Judgement:
        return Judgement({}, frozenset(range(len(case.results))))


def nothing_leaves(raw: bytes, offline: Offline) -> None:
    try:
        message = Message.read(raw)
    except Unreadable:
        return
    for item in offline.judge(message, NOW):
        assert all(result.outcome == "hold" for result in item.decision.results)
        assert sentences(item.decision)


def fresh() -> Offline:
    return Offline(Nothing(), ConnectionMap("any", indices={"hemolysis": "h"}), {})


@given(st.lists(st.sampled_from(SEGMENTS[1:]), max_size=12))
def test_segments_in_any_order(segments: list[str]) -> None:
    nothing_leaves("\r".join([SEGMENTS[0], *segments]).encode(), fresh())


@given(st.lists(st.text(alphabet='|^~\\&"<>-.0159FPCNMST:', max_size=40), max_size=6))
def test_segments_of_nonsense(rests: list[str]) -> None:
    names = ("PID", "OBR", "OBX", "OBX", "SPM", "SAC")
    lines = [f"{name}|{rest}" for name, rest in zip(names, rests, strict=False)]
    nothing_leaves("\r".join([SEGMENTS[0], *lines]).encode(), fresh())


@pytest.mark.skipif(not CORPUS.is_dir(), reason="no folder of collected messages (VERIFIER_CORPUS)")
def test_collected_messages() -> None:
    offline, seen = fresh(), 0
    for path in sorted(CORPUS.rglob("*")):
        if path.is_file() and path.suffix not in {".md", ".json"}:
            nothing_leaves(path.read_bytes(), offline)
            seen += 1
    assert seen

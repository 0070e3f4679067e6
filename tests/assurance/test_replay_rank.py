"""What became of a result, and which change is worse: on invented records."""

import random
from datetime import UTC, datetime, timedelta

import pytest

from verifier.assurance.replay_count import Tally
from verifier.assurance.replay_rank import fate_of, rank, worst
from verifier.assurance.replay_report import percent
from verifier.assurance.replaying import CHANGES, FATES, Change, Said, Side, Stretch
from verifier.facts.case import CaseRecord, Entry, State
from verifier.facts.report import Observation
from verifier.facts.subjects import Specimen

KEPT = Said("outside-autorelease", "hold", "it is outside")
NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def entry(state: State, who: str = "", code: str = "K", *, corrects: bool = False) -> Entry:
    sent = Observation(code, "L", code, "NM", "4.1", "mmol/L", "F", segment=1, order=1)
    return Entry(sent, "line", 1, NOON, state, who, corrects=corrects)


def record(*entries: Entry) -> CaseRecord:
    return CaseRecord(Specimen("S1", "serum", None), None, entries, NOON)


@pytest.mark.parametrize(
    ("entries", "fate"),
    [
        ((entry("open"),), ("open", "")),
        ((entry("released", "rules"),), ("released by rules", "")),
        ((entry("released", "ann"),), ("released by a person", "ann")),
        ((entry("rejected", "ann"),), ("rejected", "ann")),
        ((entry("withdrawn"),), ("withdrawn", "")),
        ((entry("superseded"), entry("open")), ("replaced", "")),
        ((entry("superseded", "rules"), entry("open", corrects=True)), ("corrected", "rules")),
        ((entry("superseded", "ann"), entry("open")), ("rejected", "ann")),
        ((entry("superseded", "rules"), entry("withdrawn")), ("withdrawn", "rules")),
        # Another test of the specimen says nothing of this one.
        ((entry("superseded"), entry("open", code="NA", corrects=True), entry("open")),
         ("replaced", "")),
    ],
)  # fmt: skip
def test_what_became_of_a_result(entries: tuple[Entry, ...], fate: tuple[str, str]) -> None:
    assert fate_of(record(*entries), 0) == fate


def test_a_derived_result_is_nobodys_to_settle() -> None:
    assert fate_of(record(entry("open")), -1) == ("derived", "")
    assert fate_of(None, 0) == ("derived", "")


def change(**parts: object) -> Change:
    fields: dict[str, object] = {
        "kind": "newly released", "fate": "open", "case_id": 1, "decision_id": 1, "entry": 0,
        "specimen": "S1", "test": "potassium", "title": "Potassium", "code": "K", "value": "6.9",
        "unit": "mmol/L", "decided": NOON, "before": Side("hold"), "after": Side("release"),
    }  # fmt: skip
    return Change(**{**fields, **parts})  # type: ignore[arg-type]


def test_worst_first() -> None:
    order = [
        change(fate="rejected", critical=True, case_id=1),
        change(fate="rejected", case_id=2),
        change(fate="rejected", case_id=3, decided=NOON - timedelta(days=1)),
        change(fate="corrected", case_id=4),
        change(fate="withdrawn", case_id=5),
        change(fate="replaced", case_id=6),
        change(fate="open", case_id=7),
        change(fate="released by a person", case_id=8),
        change(kind="critical lost", case_id=14),
        change(kind="failed", fate="rejected", case_id=9),
        change(kind="newly held", fate="corrected", case_id=10),
        change(kind="now waits", case_id=11),
        change(kind="less asked", case_id=15),
        change(kind="other reasons", fate="rejected", case_id=13),
        change(kind="other reasons", before=Side("hold", reasons=(KEPT,)), case_id=16),
        change(kind="other reasons", critical=True, case_id=17),
        change(kind="other words", before=Side("hold", "H"), case_id=12),
        change(kind="other words", critical=True, case_id=18),
    ]
    for seed in range(20):
        mixed = random.Random(seed).sample(order, len(order))
        assert worst(mixed, 100) == order
        assert worst(mixed, 4) == order[:4]


def test_every_kind_and_fate_has_a_place() -> None:
    ranks = [rank(change(kind=kind, fate=fate)) for kind in CHANGES for fate in FATES]
    assert len(ranks) == len(CHANGES) * len(FATES)


def test_the_worst_survive_however_many_come_and_in_parts() -> None:
    changes = [change(case_id=n, fate="rejected" if n % 97 == 0 else "open") for n in range(1000)]
    whole, parts = Tally(Stretch(), 10), [Tally(Stretch(), 10) for _ in range(3)]
    for number, one in enumerate(changes):
        whole._add(one)
        parts[number % 3]._add(one)
    for part in parts[1:]:
        parts[0].add(part)
    assert whole.worst() == parts[0].worst()
    shown, left = whole.worst()
    assert [one.case_id for one in shown] == [97 * n for n in range(10)]
    assert left == 990
    assert len(whole._changes) <= 40, "memory does not grow with what changes"


@pytest.mark.parametrize(
    ("part", "whole", "shown"),
    [(0, 0, "–"), (0, 9, "0.0 %"), (9, 9, "100.0 %"), (1, 100_000, "0.1 %"),
     (99_999, 100_000, "99.9 %"), (1, 3, "33.3 %")],
)  # fmt: skip
def test_a_share_is_never_rounded_to_all_or_nothing(part: int, whole: int, shown: str) -> None:
    assert percent(part, whole) == shown

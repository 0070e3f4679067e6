"""Replay on a real database: what a candidate would have decided, counted and told worst first."""

import json
from collections import Counter
from collections.abc import Iterator
from datetime import timedelta
from functools import partial
from pathlib import Path

import pytest
from databases import database_url
from msgspec.structs import replace

from service.bench import NOW, PAT, Bench
from service.laboratory import RULES, result_message
from verifier.assurance.replaying import Covered, Replay, Stretch
from verifier.cli import main
from verifier.decide.decide import decide
from verifier.errors import RuleSetError
from verifier.service import actions, rejudging, replaying, ruleshelf
from verifier.service.candidates import Candidate, active, of_folder, of_version
from verifier.service.replaying import from_store, run_replay, to_store
from verifier.store import Store
from verifier.store.rulerows import RuleTexts

# Potassium may be 0.9 higher; nothing else differs.
LENIENT = RULES.replace("below 2.8, above 6.2", "below 2.8, above 7.1")
STRICT = RULES.replace("below 120, above 158", "below 120, above 139")
UNKNOWING = RULES.replace("code LOINC 2823-3", "code LOINC 6298-4")  # potassium in whole blood
IN_OTHER_UNIT = (
    RULES.replace("unit mmol/L   decimals 1", "unit mg/dL   decimals 1\n  molar mass 39.098 g/mol")
    .replace("critical  below 2.8, above 6.2", "critical  below 10.9, above 24.2")
)  # fmt: skip


@pytest.fixture
def laboratory(tmp_path: Path) -> Iterator[Bench]:
    """A database with a history in which people acted, and the folder of the active rules."""
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules" / "test.rules").write_text(RULES)
    url = database_url(tmp_path)
    with Store.open(url, checkpoints=tmp_path / "checkpoints", clock=lambda: NOW) as store:
        yield Bench(tmp_path, store)


def arrives(bench: Bench, specimen: str, status: str = "F", **values: str) -> None:
    number = len(bench.store.read(lambda r: r.judged_cases(None, None))[0])
    control = f"{specimen}-{status}-{number}-{'-'.join(values.values())}"
    raw = result_message(
        control, specimen=specimen, patient=f"P{specimen}", results=values, status=status
    )
    bench.take(raw, "second" if specimen == "S5" else "chem")


def history(bench: Bench) -> None:
    """S1 rejected, S2 let go, S3 still open, S4 corrected after it was let go, S5 all right."""
    for specimen in ("S1", "S2", "S3", "S4"):
        arrives(bench, specimen, potassium="6.9", sodium="140")
    arrives(bench, "S5", potassium="4.4", sodium="140")
    for specimen, action in (
        ("S1", actions.reject),
        ("S2", actions.release),
        ("S4", actions.release),
    ):
        case_id = bench.case(specimen).id
        settle = partial(
            action, judge=bench.line.judge, who=PAT, case_id=case_id, entries=[0],
            comment="looked at", now=bench.now,
        )  # fmt: skip
        bench.store.write(settle)
    arrives(bench, "S4", "C", potassium="4.9")


def candidate(text: str, name: str = "candidate") -> Candidate:
    return Candidate(name, RuleTexts({"test.rules": text}, {}))


def replayed(
    bench: Bench, text: str, against: Candidate | None = None, **options: object
) -> Replay:
    site = bench.line.settings
    base = against or of_folder(bench.line.settings.rules, site)
    stretch = options.pop("stretch", Stretch())
    return run_replay(site, candidate(text), base, stretch, jobs=1, **options)  # type: ignore[arg-type]


def test_what_a_person_stopped_and_the_candidate_lets_go_comes_first(laboratory: Bench) -> None:
    history(laboratory)
    found = replayed(laboratory, LENIENT)
    told = [
        (change.kind, change.specimen, change.fate, change.settled_by) for change in found.changes
    ]
    assert told == [
        ("newly released", "S1", "rejected", "pat"),
        ("newly released", "S4", "corrected", "pat"),
        ("newly released", "S3", "open", ""),
        ("newly released", "S2", "released by a person", "pat"),
    ]
    first = found.changes[0]
    assert (first.before.outcome, first.after.outcome) == ("hold", "release")
    assert [reason.rule for reason in first.before.reasons] == ["critical"]
    assert (first.value, first.unit) == ("6.9", "mmol/L")
    counts = found.counts
    assert (counts.specimens, counts.results, counts.released_before, counts.released_after) == (
        5, 11, 6, 10,
    )  # fmt: skip
    assert counts.tests["potassium"].changes == {"newly released": 4}
    assert "sodium" in counts.tests
    assert not counts.tests["sodium"].changes
    rule = counts.rules["critical"]
    assert (rule.before, rule.after, rule.gained, rule.lost) == (4, 0, 0, 4)
    assert found.left_out == 0
    assert found.differs


def test_how_much_of_history_was_judged_again_is_told(laboratory: Bench) -> None:
    assert replayed(laboratory, LENIENT).covered == Covered(0, True)  # there is none yet
    arrives(laboratory, "S1", potassium="6.9")
    first = laboratory.now
    laboratory.now += timedelta(days=10)
    arrives(laboratory, "S2", potassium="6.9")
    last = laboratory.now
    for stretch, covered in (
        (Stretch(), Covered(10, True)),
        (Stretch(since=first - timedelta(days=400)), Covered(10, True)),
        (Stretch(until=last), Covered(10, False)),  # the last decision is left out
        (Stretch(since=first + timedelta(days=3), until=last), Covered(7, False)),
        (Stretch(since=last - timedelta(hours=20), until=last), Covered(0, False)),
    ):
        assert replayed(laboratory, LENIENT, stretch=stretch).covered == covered


def test_only_the_worst_are_kept_and_the_others_counted(laboratory: Bench) -> None:
    history(laboratory)
    found = replayed(laboratory, LENIENT, most=2)
    assert [change.specimen for change in found.changes] == ["S1", "S4"]
    assert (found.left_out, found.counts.changed) == (2, 4)


def test_the_rules_of_the_time_give_the_record_to_the_last_byte(laboratory: Bench) -> None:
    history(laboratory)
    site = laboratory.line.settings
    again = run_replay(site, of_folder(site.rules, site), None, Stretch(), jobs=1)
    assert not again.differs
    assert again.counts.decisions == 9  # five, three acts of people, one correction
    twice = run_replay(
        site,
        of_folder(site.rules, site),
        of_folder(site.rules, site),
        Stretch(),
        jobs=1,
        again=True,
    )
    assert (twice.counts.reproduced, twice.counts.not_reproduced) == (9, 0)


def test_a_record_the_rules_do_not_give_again_is_noticed(laboratory: Bench) -> None:
    history(laboratory)
    site = laboratory.line.settings
    kept = laboratory.case("S5").decision
    assert kept
    wrong = replace(kept.results[0], flag="H")
    facts = laboratory.store.read(lambda r: r.facts(r.decisions(laboratory.case("S5").id)[0].id))
    other = replace(kept, results=(wrong, *kept.results[1:]))
    case_id = laboratory.case("S5").id
    laboratory.store.write(lambda tx: tx.add_decision(case_id, None, other, facts))
    recorded = run_replay(site, of_folder(site.rules, site), None, Stretch(), jobs=1)
    assert [(c.specimen, c.kind) for c in recorded.changes] == [("S5", "other words")]
    again = run_replay(
        site,
        of_folder(site.rules, site),
        of_folder(site.rules, site),
        Stretch(),
        jobs=1,
        again=True,
    )
    assert again.counts.not_reproduced == 1
    assert again.differs


def test_counts_are_those_of_a_plain_loop(laboratory: Bench) -> None:
    """The oracle reads through the page's own methods and judges case after case."""
    history(laboratory)
    for number in range(60):
        arrives(
            laboratory, f"T{number}", potassium=f"{2 + number / 10:.1f}", sodium=str(110 + number)
        )
    strict = candidate(STRICT).program()
    store = laboratory.store
    released: dict[str, Counter[str]] = {"before": Counter(), "after": Counter()}
    results: Counter[str] = Counter()
    for case_id in store.read(lambda r: r.judged_cases(None, None))[0]:
        left: dict[str, set[tuple[int, str]]] = {"before": set(), "after": set()}
        seen = set()
        for stored in store.read(lambda r, c=case_id: r.decisions(c)):
            facts = store.read(lambda r, d=stored.id: r.facts(d))
            assert facts
            for side, decision in (("before", stored.decision), ("after", decide(facts, strict))):
                seen |= {(item.entry, item.test) for item in decision.results}
                left[side] |= {
                    (item.entry, item.test)
                    for item in decision.results
                    if item.outcome == "release"
                }
        results.update(test for _, test in seen)
        for side, found in left.items():
            released[side].update(test for _, test in found)
    counts = replayed(laboratory, STRICT).counts
    assert {name: test.results for name, test in counts.tests.items()} == dict(results)
    for name, test in counts.tests.items():
        assert test.released_before == released["before"][name]
        assert test.released_after == released["after"][name]
    assert 0 < counts.released_after < counts.released_before < counts.results


def test_several_processes_find_the_same_as_one(
    laboratory: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    history(laboratory)
    for number in range(150):
        arrives(laboratory, f"T{number}", potassium=f"{6 + number / 100:.2f}")
    one = replayed(laboratory, LENIENT, most=20)
    monkeypatch.setattr(replaying, "_ALONE", 0)
    site = laboratory.line.settings
    told: list[tuple[int, int]] = []
    two = run_replay(
        site, candidate(LENIENT), of_folder(site.rules, site), Stretch(), jobs=2, most=20,
        progress=lambda done, of: told.append((done, of)),
    )  # fmt: skip
    assert to_store(two) == to_store(one)
    one_apart = run_replay(
        site,
        candidate(LENIENT),
        of_folder(site.rules, site),
        Stretch(),
        jobs=1,
        most=20,
        apart=True,
    )
    assert to_store(one_apart) == to_store(one)
    with pytest.raises(RuleSetError, match="broken: the rule set has 1 error"):
        run_replay(
            site, candidate("rule without end", "broken"), None, Stretch(), jobs=2, apart=True
        )
    assert told == sorted(told)
    assert told[-1] == (159, 159)
    assert len(told) == 3, "155 specimens in pieces of 64"


def test_a_stretch_a_test_and_a_connection_can_be_chosen(laboratory: Bench) -> None:
    history(laboratory)
    half = NOW + timedelta(seconds=3)
    early = replayed(laboratory, LENIENT, stretch=Stretch(until=half)).counts
    late = replayed(laboratory, LENIENT, stretch=Stretch(since=half)).counts
    assert early.decisions + late.decisions == 9
    assert (early.decisions, early.specimens) == (2, 2)
    sodium = replayed(laboratory, LENIENT, stretch=Stretch(tests=frozenset({"sodium"}))).counts
    assert (sodium.results, sodium.changed) == (5, 0)
    assert set(sodium.tests) == {"sodium"}
    second = replayed(
        laboratory, LENIENT, stretch=Stretch(connections=frozenset({"second"}))
    ).counts
    assert second.results == 2


def test_a_candidate_that_does_not_know_a_test_holds_it(laboratory: Bench) -> None:
    """As it would live: the code is unknown to it, so doubt holds."""
    history(laboratory)
    found = replayed(laboratory, UNKNOWING)
    change = next(change for change in found.changes if change.specimen == "S5")
    assert (change.kind, change.before.outcome, change.after.outcome) == (
        "newly held", "release", "hold",
    )  # fmt: skip
    assert any("2823-3" in reason.text for reason in change.after.reasons)
    assert any("potassium" in text for text in found.cautions)


def test_a_candidate_in_another_unit_judges_the_converted_value(laboratory: Bench) -> None:
    history(laboratory)
    found = replayed(laboratory, IN_OTHER_UNIT)
    assert found.counts.of_kind("newly released") == found.counts.of_kind("newly held") == 0
    facts = {change.specimen: change for change in found.changes}
    assert facts["S5"].kind == "other words"


def test_what_the_candidate_fails_on_is_held_and_counted(
    laboratory: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    history(laboratory)

    def broken(case: object, program: object) -> None:
        raise ZeroDivisionError("a defect")

    monkeypatch.setattr(rejudging, "decide", broken)
    found = replayed(laboratory, LENIENT)
    assert found.counts.of_kind("failed") == found.counts.results == 11
    assert sum(found.counts.failures.values()) == 9
    assert all(name.startswith("ZeroDivisionError") for name in found.counts.failures)
    assert found.changes[0].after.outcome == "hold"


def test_nothing_stored_is_nothing_changed(laboratory: Bench) -> None:
    found = replayed(laboratory, LENIENT)
    assert not found.differs
    assert found.counts.results == 0


def test_what_is_kept_can_be_read_again_and_is_the_same_every_time(laboratory: Bench) -> None:
    history(laboratory)
    found, again = replayed(laboratory, LENIENT), replayed(laboratory, LENIENT)
    assert to_store(found) == to_store(again)
    read = from_store(to_store(found))
    assert read.made is None
    assert read.changes == found.changes
    assert read.counts == found.counts


def run(bench: Bench, *words: str) -> int:
    config = bench.line.settings.rules.parent / "verifier.toml"
    return main([*words, "--config", str(config)])


def test_the_command_prints_tells_by_exit_code_and_writes_a_page(
    laboratory: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    history(laboratory)
    folder = tmp_path / "lenient"
    folder.mkdir()
    (folder / "test.rules").write_text(LENIENT)
    page = tmp_path / "replay.html"
    assert run(laboratory, "replay", "--candidate", str(folder), "--html", str(page)) == 1
    told = capsys.readouterr().out
    assert "4  newly released" in told
    assert told.index("specimen S1") < told.index("specimen S4") < told.index("specimen S2")
    assert "a person rejected it (pat)" in told
    html = page.read_text()
    assert "Not a medical device by itself" in html
    assert html.index("specimen S1") < html.index("specimen S2")
    assert "<script" not in html
    assert "http" not in html
    assert run(laboratory, "replay", "--candidate", "active", "--against", "recorded") == 0
    assert "0 results change" in capsys.readouterr().out
    assert run(laboratory, "replay", "--candidate", str(folder), "--json") == 1
    told_json = json.loads(capsys.readouterr().out)
    assert told_json["counts"]["fates"]["newly released"]["rejected"] == 1


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--candidate", "nowhere"), "no such folder"),
        (("--candidate", "7"), "no version 7"),
        (("--candidate", "active", "--last", "soon"), "12h, 30d or 8w"),
        (("--candidate", "active", "--last", "999999w"), "before every calendar"),
        (("--candidate", "active", "--from", "2026-13-01"), "no date"),
        (("--candidate", "active", "--from", "2026-02-01", "--to", "2026-01-01"), "must lie after"),
        (("--candidate", "active", "--from", "2026-01-01", "--last", "3d"), "not both"),
        (("--candidate", "active", "--jobs", "0"), "at least 1"),
        (("--candidate", "active", "--limit", "0"), "at least 1"),
    ],
)
def test_wrong_use_says_what_to_do(
    laboratory: Bench, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], told: str
) -> None:
    assert run(laboratory, "replay", *words) == 2
    assert told in capsys.readouterr().err


def test_a_version_is_replayed_and_the_replay_kept_for_its_approval(
    laboratory: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    history(laboratory)
    store, site = laboratory.store, laboratory.line.settings

    def prepare(number_of: str, text: str) -> int:
        texts = RuleTexts({"test.rules": text}, {})
        return store.write(lambda tx: ruleshelf.add(tx, "ada", texts, number_of)).id

    first, second = prepare("first", RULES), prepare("second", LENIENT)
    program = candidate(RULES).program()
    version = store.read(lambda r: ruleshelf.known(r, first))
    store.write(lambda tx: ruleshelf.keep_check(tx, "ada", first, version.hash, program))
    store.write(lambda tx: tx.add_rule_activation(first, NOW, "verifier", "", "first"))
    assert store.read(lambda r: active(r, site)).version == first
    assert store.read(lambda r: of_version(r, second, site)).name == "version 2"
    assert run(laboratory, "replay", "--candidate", "2") == 1
    told = capsys.readouterr()
    kept = store.read(lambda r: ruleshelf.replay_of(r, second, NOW))
    assert kept
    assert kept.digest[:12] in told.err
    assert from_store(kept.result).changes[0].specimen == "S1"
    assert run(laboratory, "replay", "--candidate", "2", "--test", "sodium") == 0
    assert store.read(lambda r: ruleshelf.replay_of(r, second, NOW)) == kept


def test_a_lost_call_and_a_lost_flag_are_changes_and_come_before_words(laboratory: Bench) -> None:
    calling = RULES + "  call clinician within 30 minutes\n  ask for new specimen\n"
    (laboratory.line.settings.rules / "test.rules").write_text(calling)
    history(laboratory)
    silent = calling.replace("  call clinician within 30 minutes\n", "")
    base = candidate(calling)
    found = replayed(laboratory, silent, base)
    assert {(c.kind, c.test) for c in found.changes} == {("critical lost", "potassium")}
    assert found.counts.changed == len(found.changes) == 4
    first = found.changes[0]
    lost = set(first.before.asked) - set(first.after.asked)
    assert lost == {"call clinician within 30 minutes"}
    kept = calling.replace("  ask for new specimen\n", "")
    assert {c.kind for c in replayed(laboratory, kept, base).changes} == {"less asked"}
    # Another hold stands in for what is critical no more: the flag and the call are lost.
    held = calling.replace("above 6.2", "above 7.1") + (
        'rule high for potassium  from "invented"\n'
        '  hold when result > 6.2 mmol/L\n  because "high"\n'
    )
    told = [
        (c.kind, c.before.flag, c.after.outcome) for c in replayed(laboratory, held, base).changes
    ]
    assert set(told) == {("critical lost", "HH", "hold")}
    # What no sentence shows is no change: the reason names the limit, and its facts alone differ.
    plain = calling.replace("is beyond the critical limit {limit}", "is beyond")
    wider = plain.replace("below 2.8", "below 2.7")
    assert not replayed(laboratory, wider, candidate(plain)).changes

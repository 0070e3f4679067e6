"""`verifier quality tune`: from results to settings that the program itself can read."""

import csv
import random
import re
import tomllib
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import pytest
from databases import database_url

from service.bench import Bench
from service.laboratory import result_message
from verifier import settings
from verifier.cli import main
from verifier.quality.detection import false_alarms
from verifier.store.store import Store


@pytest.fixture
def results(tmp_path: Path) -> Path:
    source = random.Random(5)
    lines = ["value", *(f"{source.gauss(140, 2.5):.1f}" for _ in range(400))]
    path = tmp_path / "sodium.csv"
    path.write_text("\n".join(lines))
    return path


def test_the_proposal_is_settings_that_can_be_read(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    curve = tmp_path / "curve.csv"
    words = ["--from", str(results), "--biases", "3", "--curve", str(curve)]
    assert main(["quality", "tune", "sodium", *words]) == 1, "200 results show no 1 per 1,000"
    told = capsys.readouterr()
    assert "400 results of sodium" in told.err
    first = told.out.split("\n\n")[0]
    monitor = tomllib.loads(first)["quality"]["monitors"]["sodium"]
    plan = settings.MonitorPlan.model_validate(monitor).plan()
    assert plan.low is not None
    assert plan.high is not None
    assert plan.low < 140 < plan.high
    assert "95 of 100" in first
    lines = curve.read_text().splitlines()
    assert len(lines) == 1 + 3 * 2
    rows = list(csv.DictReader(lines))
    assert [row["rank"] for row in rows] == list("112233")
    plans = {tuple(row[name] for name in ("kind", "size", "weight", "low", "high")) for row in rows}
    assert len(plans) == 3, "no two plans look the same"
    assert (rows[0]["low"], rows[0]["high"]) == (str(plan.low), str(plan.high))
    assert "NOT SHOWN: 1 per 1,000. That takes 5992 results or more" in first


def test_what_is_promised_of_false_alarms_holds_on_fresh_results(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """600 results, then 60,000 of the same distribution the limits have never seen."""
    source = random.Random(3)
    path = tmp_path / "sodium.csv"
    path.write_text("\n".join(["value", *(f"{source.gauss(140, 2.5):.0f}" for _ in range(600))]))
    words = ["quality", "tune", "sodium", "--from", str(path), "--biases", "3"]
    assert main(words) == 1
    parts = capsys.readouterr().out.strip().split("\n\n")
    fresh = [Decimal(round(source.gauss(140, 2.5))) for _ in range(60_000)]
    for part in parts:
        monitor = tomllib.loads(part)["quality"]["monitors"]["sodium"]
        plan = settings.MonitorPlan.model_validate(monitor).plan()
        found = re.search(r"at most ([\d.]+) per 1,000", part)
        assert found
        assert false_alarms(plan, fresh).rate <= Decimal(found[1])
        assert re.search("NOT (SHOWN|KEPT): 1 per 1,000", part)
    assert main([*words, "--alarms", "200"]) == 0
    assert "NOT " not in capsys.readouterr().out


def test_analyzers_are_tuned_one_by_one_unless_pooling_is_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two analyzers 3 mmol/L apart: together their limits would be wide enough for neither."""
    source = random.Random(6)
    lines = ["analyzer,value"]
    for _ in range(400):
        lines += [f"{name},{source.gauss(mean, 1):.1f}" for name, mean in (("A", 139), ("B", 142))]
    lines += ["C,140"] * 9
    path = tmp_path / "two.csv"
    path.write_text("\n".join(lines))
    words = ["quality", "tune", "sodium", "--from", str(path), "--biases", "3"]
    assert main(words) == 1
    told = capsys.readouterr()
    monitors = [tomllib.loads(part) for part in told.out.strip().split("\n\n")]
    names = [next(iter(one["quality"]["monitors"])) for one in monitors]
    assert names == ["sodium on A"] * 3 + ["sodium on B"] * 3
    targets = [float(next(iter(one["quality"]["monitors"].values()))["target"]) for one in monitors]
    assert max(targets[:3]) < 140 < 141 < min(targets[3:])
    assert "C: 9 results are too few" in told.err
    words += ["--alarms", "100"]
    assert main([*words, "--analyzer", "B"]) == 0
    assert "sodium on A" not in capsys.readouterr().out
    assert main([*words, "--pool"]) == 1
    told = capsys.readouterr().out
    assert "[quality.monitors.sodium]" in told
    assert "NOT SHOWN: 100 per 1,000" in told, "two hills make a restless statistic"
    assert main([*words, "--analyzer", "D"]) == 2
    assert "nothing was measured on 'D'" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("value\n" + "140\n" * 9, "9 results are too few"),
        ("number\n140\n", 'sodium.csv:1: column "value" is missing'),
        ("value\n140\nmany\n", "sodium.csv:3: 'many' is not a number"),
        ("value\n140\nNaN\n", "sodium.csv:3: 'NaN' is not a number"),
    ],
)
def test_what_can_not_be_tuned_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, said: str
) -> None:
    path = tmp_path / "sodium.csv"
    path.write_text(text)
    assert main(["quality", "tune", "sodium", "--from", str(path)]) == 2
    assert said in capsys.readouterr().err


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    url = database_url(tmp_path)
    with Store.open(url, checkpoints=tmp_path / "checkpoints") as store:
        yield Bench(tmp_path, store)


def test_stored_results_are_those_released_in_their_order(bench: Bench) -> None:
    for number, value in enumerate(("140", "170", "141", "142"), 1):
        bench.take(result_message(f"M{number}", specimen=f"S{number}", results={"sodium": value}))
    since = bench.now.replace(hour=0)
    told = bench.store.read(lambda reader: reader.released_numbers("sodium", "mmol/L", since))
    assert [(where, str(number)) for where, number in told] == [
        ("chem", "140"), ("chem", "141"), ("chem", "142"),
    ]  # fmt: skip

"""Control levels and results from CSV files, through the command as it is used."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest

from service.laboratory import CONFIGURATION, RULES
from verifier import clock, settings
from verifier.cli import main
from verifier.store.qualityrows import ControlLevel, ControlResult
from verifier.store.store import Store

LEVELS = """\
test,material,lot,level,mark,unit,mean,sd,expires
potassium,Serum,A1,low,QC-L,mmol/L,3.0,0.1,2099-12-31
sodium,Serum,A1,low,QC-L,mmol/L,120,1.5,
"""
EVER = datetime(1970, 1, 1, tzinfo=UTC)
HEAD = "at,test,analyzer,material,lot,level,value,unit\n"


@pytest.fixture
def config(tmp_path: Path) -> Path:
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules" / "test.rules").write_text(RULES)
    ports = {"chem": 1, "second": 2, "lis": 3, "web": 4}
    path = tmp_path / "verifier.toml"
    path.write_text(CONFIGURATION.format(**ports, held="withhold", answer_seconds=1))
    return path


def run(config: Path, action: str, text: str | None = None, *more: str) -> int:
    words = ["quality", action]
    if text is not None:
        file = config.parent / "file.csv"
        file.write_text(text, encoding="utf-8")
        words.append(str(file))
    return main([*words, "--config", str(config), *more])


def kept(config: Path) -> tuple[list[ControlLevel], list[ControlResult]]:
    loaded = settings.load(config)
    with Store.open(loaded.database, checkpoints=loaded.checkpoints, writable=False) as store:
        return store.read(
            lambda r: (r.control_levels(), r.control_results("potassium", "AN-1", 99))
        )


def at(days: int, minutes: int = 0) -> str:
    moment = datetime.now(UTC) - timedelta(days=days) + timedelta(minutes=minutes)
    return moment.isoformat(timespec="seconds")


def test_levels_and_results_come_in_and_are_judged(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(config, "show") == 0
    assert "no control defined: potassium, sodium" in capsys.readouterr().out
    assert run(config, "define", LEVELS) == 0
    lines = [f"{at(3 - day)},potassium,AN-1,Serum,A1,low,3.2{day},mmol/L" for day in range(3)]
    assert run(config, "import", HEAD + "\n".join(lines)) == 0
    levels, results = kept(config)
    assert [(one.test, str(one.mean)) for one in levels] == [
        ("potassium", "3.0"),
        ("sodium", "120"),
    ]
    assert levels[0].expires
    assert levels[0].expires.isoformat().startswith("2099-12-31T23:59")
    assert [one.verdict for one in results] == ["accepted", "warning", "rejected"]
    assert results[-1].rules == ("2-2s", "1-2s")
    assert run(config, "import", HEAD + "\n".join(lines)) == 0
    assert "0 new, 3 known before" in capsys.readouterr().out
    assert run(config, "show") == 1
    assert "out of control: a control failed (Serum low: 2-2s)" in capsys.readouterr().out


def test_history_neither_fails_nor_vouches_and_no_rule_looks_back_into_it(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(config, "define", LEVELS)
    line = "potassium                AN-1                 "
    old = [f"{at(0, -60 - n)},potassium,AN-1,Serum,A1,low,3.25,mmol/L" for n in range(3)]
    assert run(config, "import", HEAD + "\n".join(old), "--history") == 0
    assert [one.verdict for one in kept(config)[1]] == ["warning", "rejected", "rejected"]
    run(config, "show")
    assert f"{line}overdue: not measured: Serum low" in capsys.readouterr().out
    assert run(config, "import", HEAD + f"{at(0, -30)},potassium,AN-1,Serum,A1,low,3.25,") == 0
    assert kept(config)[1][-1].rules == ("1-2s",), "it would be 2-2s with the history"
    run(config, "show")
    assert f"{line}warning: Serum low: 1-2s" in capsys.readouterr().out
    late = f"{at(0, -1)},potassium,AN-1,Serum,A1,low,4.0,mmol/L"
    assert run(config, "import", HEAD + late, "--history") == 0
    run(config, "show")
    assert f"{line}warning: Serum low: 1-2s" in capsys.readouterr().out
    loaded = settings.load(config)
    with Store.open(loaded.database, checkpoints=loaded.checkpoints, writable=False) as store:
        assert store.read(lambda r: r.corrective_actions("potassium", "AN-1", EVER)) == []


def test_a_level_out_of_use_judges_nothing_and_vouches_for_nothing(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A lot whose insert was typed wrongly: ended, and defined again with the right mean."""
    run(config, "define", LEVELS)
    run(config, "import", HEAD + f"{at(1)},potassium,AN-1,Serum,A1,low,3.0,")
    (wrong,) = [level for level in kept(config)[0] if level.test == "potassium"]
    loaded = settings.load(config)
    with Store.open(loaded.database, checkpoints=loaded.checkpoints) as store:
        store.write(lambda tx: tx.end_control_level(wrong.id, clock.now()))
    right = LEVELS.replace("3.0,0.1", "3.5,0.1").splitlines()
    assert run(config, "define", "\n".join(right[:2])) == 0
    capsys.readouterr()
    run(config, "show")
    assert "AN-1                 overdue: not measured: Serum low" in capsys.readouterr().out
    lines = [f"{at(0, -n)},potassium,AN-1,Serum,A1,low,{value}," for n, value in
             ((9, "3.0"), (8, "3.5"))]  # fmt: skip
    run(config, "import", HEAD + "\n".join(lines))
    old, first, second = kept(config)[1]
    assert (old.verdict, old.mean) == ("accepted", 3)
    assert (first.verdict, first.mean, first.rules) == (
        "rejected",
        Decimal("3.5"),
        ("1-3s", "1-2s"),
    )
    assert (second.verdict, second.mean) == ("accepted", Decimal("3.5"))
    with Store.open(loaded.database, checkpoints=loaded.checkpoints) as store:
        store.write(lambda tx: [tx.end_control_level(e.id, clock.now()) for e in kept(config)[0]])
    assert run(config, "import", HEAD + f"{at(0)},potassium,AN-1,Serum,A1,low,3.0,") == 1
    assert "Serum low lot A1 is out of use for potassium" in capsys.readouterr().out
    past = HEAD + f"{at(2)},potassium,AN-1,Serum,A1,low,3.0,"
    assert run(config, "import", past, "--history") == 0, "history may name it"


def test_a_lot_that_has_expired_is_told_when_it_is_defined(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(config, "define", LEVELS.replace("2099-12-31", "2020-02-29")) == 0
    told = capsys.readouterr().out
    assert "potassium: lot A1 of Serum low expired on 2020-02-29" in told
    assert "sodium" not in told
    run(config, "show")
    said = capsys.readouterr().out
    assert "overdue: not measured: Serum low; lot A1 of Serum low expired on 2020-02-29" in said


def test_units_are_converted(config: Path) -> None:
    run(config, "define", LEVELS)
    run(config, "import", HEAD + f"{at(1)},potassium,AN-1,Serum,A1,low,3000,umol/L")
    (one,) = kept(config)[1]
    assert (one.value, one.unit) == (3, "mmol/L")


@pytest.mark.parametrize(
    ("action", "text", "said"),
    [
        ("define", "test,material\n", "file.csv:1: column lot, level"),
        (
            "define",
            LEVELS.replace("3.0,0.1", "three,0.1"),
            "file.csv:2: mean 'three' is not a number",
        ),
        ("define", LEVELS.replace("1.5", "0"), "file.csv:3: sd must be above 0"),
        ("define", LEVELS.replace("potassium", "potasium"), "did you mean 'potassium'"),
        (
            "define",
            LEVELS.replace("2099-12-31", "soon"),
            "file.csv:2: expires 'soon' is not a date",
        ),
        ("define", LEVELS.replace("mmol/L,120", "mL,120"), "can not be converted to mmol/L"),
        ("define", LEVELS.replace("120", "NaN"), "file.csv:3: mean 'NaN' is not a number"),
        ("import", HEAD + "monday,potassium,AN-1,Serum,A1,low,3,\n", "file.csv:2: at 'monday'"),
        ("import", HEAD + "2099-01-01,potassium,AN-1,Serum,A1,low,3,\n", "lies in the future"),
        ("import", HEAD + "2026-01-01,potassium,,Serum,A1,low,3,\n", "analyzer is empty"),
        ("import", HEAD + "2026-01-01,potassium,AN-1,Serum,A1,low,,\n", "value is empty"),
        ("import", HEAD + '2026-01-01,"potassium\n', "not CSV"),
    ],
)
def test_a_mistake_is_named_with_its_line_and_nothing_is_taken(
    config: Path, capsys: pytest.CaptureFixture[str], action: str, text: str, said: str
) -> None:
    assert run(config, action, text) == 2
    assert said in capsys.readouterr().err
    assert not (config.parent / "verifier.db").exists() or kept(config) == ([], [])


def test_a_lot_nobody_defined_is_kept_and_told(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(config, "define", LEVELS)
    line = f"{at(1)},potassium,AN-1,Serum,ZZ,low,3.0,"
    assert run(config, "import", HEAD + line) == 1
    assert "not judged: Serum low lot ZZ is not defined for potassium" in capsys.readouterr().out
    (one,) = kept(config)[1]
    assert one.verdict == "not judged"

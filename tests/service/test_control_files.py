"""Control levels and results from CSV files, through the command as it is used."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from service.laboratory import CONFIGURATION, RULES
from verifier import settings
from verifier.cli import main
from verifier.store.qualityrows import ControlLevel, ControlResult
from verifier.store.store import Store

LEVELS = """\
test,material,lot,level,mark,unit,mean,sd,expires
potassium,Serum,A1,low,QC-L,mmol/L,3.0,0.1,2099-12-31
sodium,Serum,A1,low,QC-L,mmol/L,120,1.5,
"""
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


def test_history_has_no_consequence_and_asks_for_new_controls(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(config, "define", LEVELS)
    old = f"{at(30)},potassium,AN-1,Serum,A1,low,4.0,mmol/L"
    assert run(config, "import", HEAD + old, "--history") == 0
    line = "potassium                AN-1                 "
    run(config, "show")
    assert f"{line}out of control" in capsys.readouterr().out, "until controls are good"
    assert run(config, "import", HEAD + f"{at(0, 1)},potassium,AN-1,Serum,A1,low,3.0,") == 0
    run(config, "show")
    assert f"{line}in control" in capsys.readouterr().out


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

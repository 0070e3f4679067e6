"""The validation file of a version of the database: who wrote, replayed, approved, activated it."""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from pypdf import PdfReader

from service.laboratory import RULES, result_message
from verifier import settings
from verifier.assurance.replaying import Stretch
from verifier.cli import main
from verifier.service import candidates, ruleapproval, ruleorders, ruleshelf
from verifier.service.line import Line
from verifier.service.replaying import run_replay, to_store
from verifier.service.rulechecks import check_version
from verifier.service.rulestart import start_rules
from verifier.store import Person, RuleTexts, Store, Transaction

NOW = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)
MORE = """
scenario "just critical"
  given  potassium 6.3 mmol/L
  expect potassium held by critical

guarantee "nothing critical leaves alone"
  from "invented for this test"
  never release when result is critical
"""
HIGHER = RULES.replace("above 6.2", "above 6.4") + MORE


class House:
    """A database with history, an active version, and a draft that would release more."""

    def __init__(self, folder: Path) -> None:
        self.config = folder / "verifier.toml"
        self.config.write_text(
            'laboratory = "Invented Laboratory"\n[connections.chem]\nport = 0\n'
            'specimens = { SER = "serum" }\n[quality]\nwithout_state = "assume in control"\n'
        )
        (folder / "rules").mkdir()
        (folder / "rules" / "all.rules").write_text(RULES + MORE)
        self.site = settings.load(self.config)
        self.people: dict[str, Person] = {}
        with self.open() as store:
            started = start_rules(store, self.site, lambda: NOW)
            line = Line(self.site, started.program, started.version)
            for number, value in enumerate(("4.1", "6.3", "6.5")):
                raw = result_message(f"M{number}", specimen=f"S{number}", patient=f"P{number}",
                                     results={"potassium": value})  # fmt: skip
                store.write(lambda tx, raw=raw: line.take(tx, "chem", raw, NOW))  # type: ignore[misc]
            for name, role in (("ada", "administrator"), ("ben", "administrator"),
                               ("pat", "pathologist")):  # fmt: skip
                self.people[name] = store.write(lambda tx, n=name, r=role: tx.add_person(n, r, "-"))  # type: ignore[misc]
            draft = RuleTexts({"all.rules": HIGHER}, {})
            self.draft = store.write(lambda tx: ruleshelf.add(tx, "ada", draft, "higher", 1)).id

    def open(self) -> Store:
        return Store.open(self.site.database, checkpoints=self.site.checkpoints, clock=lambda: NOW)

    def do(self, work: Callable[[Transaction], object]) -> None:
        with self.open() as store:
            store.write(work)

    def edit(self, text: str) -> None:
        """Change the draft, and check what it is now."""
        before, texts = RuleTexts({"all.rules": HIGHER}, {}), RuleTexts({"all.rules": text}, {})
        ada, number = self.people["ada"], self.draft
        self.do(lambda tx: ruleshelf.edit(tx, ada, number, texts.files, "higher", before.hash))
        with self.open() as store:
            assert check_version(store, self.site, "ada", number).program

    def replay(self) -> None:
        with self.open() as store:
            sets = store.read(
                lambda r: (
                    candidates.of_version(r, self.draft, self.site), candidates.active(r, self.site)
                )
            )  # fmt: skip
        found = run_replay(self.site, *sets, Stretch(), jobs=1)
        self.do(lambda tx: ruleshelf.store_replay(tx, self.draft, 1, to_store(found), who="ada"))

    def approve(self, name: str) -> None:
        def work(tx: Transaction) -> None:
            version, replay = ruleapproval.approvable(tx, self.draft, NOW)
            seen = ruleapproval.Seen(version.hash, replay.digest)
            ruleapproval.approve(tx, self.people[name], self.draft, seen, "read it")

        self.do(work)


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(tmp_path)


def pages(house: House, *more: str, code: int = 0) -> list[str]:
    out = house.config.parent / "file.pdf"
    command = ["rules", "report", str(house.draft), "--config", str(house.config)]
    assert main([*command, "--pdf", str(out), "--at", NOW.isoformat(), *more]) == code
    return [page.extract_text().replace("\n", " ") for page in PdfReader(out).pages]


def test_a_draft_is_reported_as_what_it_is(house: House) -> None:
    first, *rest = pages(house, code=1)  # its scenario asks for what it no longer does
    assert "Invented Laboratory" in first
    assert f"version {house.draft} of the database" in first
    assert "Scenarios that FAIL: 1. just critical" in first
    assert f"Approval: version {house.draft} is not active; 0 of 2 people approved it." in first
    assert "Replay over stored history: not replayed: not run." in first
    text = " ".join(rest)
    assert "No approval is on record." in text
    assert "not checked" in text
    assert "written by ada" in text


def test_replay_approvals_and_activation_are_in_the_file(house: House) -> None:
    house.edit(HIGHER.replace("held by critical", "released"))
    house.replay()
    house.approve("ben")
    first, *rest = pages(house, "--prove")
    assert "1 of 2 people approved it" in first
    assert "Guarantees: 1 of 1 proved." in first
    assert "2 results of 3 judged otherwise, 1 newly released" in first
    house.approve("pat")
    first, *rest = pages(house)
    assert "is not active; approved by two people." in first
    assert "Guarantees: 1 of 1 proved." in first, "as it is kept with its check"
    house.do(lambda tx: ruleorders.order(tx, house.people["ada"], house.draft, None, "go"))
    first, *rest = pages(house)
    text = " ".join(rest)
    assert f"version {house.draft} is active since 2026" in first
    assert "approved by ben and pat" in first
    for said in ("read it", "yes, its activation rests on it", "activation 2026-01-05", "go",
                 "replayed by ada, 2026"):  # fmt: skip
        assert said in text
    assert "2 results of 3 judged otherwise" in first  # against the version before
    assert "held or waiting before, would leave with the candidate" in text


def test_names_of_patients_and_specimens_stay_out_of_the_file(house: House) -> None:
    text = " ".join(pages(house, code=1))
    for sign in ("Test, Patient", "S1", "P1 ", "19700101"):
        assert sign not in text


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["7", "--config"], "no version 7"),
        (["7"], "name the settings with --config"),
    ],
)
def test_a_version_that_can_not_be_found_is_told(
    house: House, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    more = [str(house.config)] if words[-1] == "--config" else []
    out = ["--pdf", str(house.config.parent / "a.pdf")]
    assert main(["rules", "report", *words, *more, *out]) == 2
    assert said in capsys.readouterr().err


def test_a_rollback_is_told_in_the_file_of_what_was_rolled_back(house: House) -> None:
    house.edit(HIGHER.replace("held by critical", "released"))
    house.replay()
    house.approve("ben")
    house.approve("pat")
    house.do(lambda tx: ruleorders.order(tx, house.people["ada"], house.draft, None, "go"))
    house.do(lambda tx: ruleorders.roll_back(tx, house.people["pat"], "held too much"))
    first, *rest = pages(house)
    assert f"version {house.draft} was active, approved by ben and pat; rolled back to" in first
    assert "version 1 by pat" in first
    assert "held too much" in first
    assert "of 2 people" not in first
    assert "rolled back to version 1 by pat" in " ".join(rest)


def test_a_refuted_guarantee_is_no_fine_report(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "all.rules").write_text(HIGHER + 'guarantee "no potassium"\n  never release when '
                                        "potassium > 1.0 mmol/L\n")  # fmt: skip
    code = main(["rules", "report", str(tmp_path), "--prove", "--out", str(tmp_path / "a.html")])
    assert code == 1
    assert "REFUTED" in capsys.readouterr().out

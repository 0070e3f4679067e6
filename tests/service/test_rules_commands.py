"""Rule files between folders and the database, and the commands about versions, as typed."""

import io
import json
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis
from hypothesis import strategies as st

from verifier import clock
from verifier.cli import main
from verifier.errors import RuleSetError
from verifier.service import ruleorders, ruleshelf, rulestart
from verifier.service.ruletexts import read_folder, write_folder
from verifier.settings import Settings, load
from verifier.store import Store, hash_password

from .laboratory import RULES

PASSWORD = "three words are long"
PARAMETER = 'parameter top = 6.2 mmol/L  from "invented"\n'
LOWER = RULES.replace("above 6.2", "above 6.0")

names = st.from_regex(r"[a-z0-9 µ]{1,8}(/[a-z]{1,4})?\.rules", fullmatch=True)
contents = st.text(st.characters(exclude_categories=["Cs"]), max_size=40).map(
    lambda text: text.replace("x", "\r\n").replace("y", "\ufeff")
)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules" / "test.rules").write_text(RULES)
    path = tmp_path / "verifier.toml"
    path.write_text('zone = "Etc/GMT-2"\n[connections.line]\nport = 0\n')
    (tmp_path / "password").write_text(PASSWORD)
    return path


@pytest.fixture
def store(config: Path) -> Iterator[Store]:
    """The database, with people and a first version."""
    settings = load(config)
    hashed = hash_password(PASSWORD)
    with Store.open(settings.database, checkpoints=settings.checkpoints) as opened:
        rulestart.start_rules(opened, settings, clock.now)
        for name in ("ada", "ben"):
            opened.write(lambda tx, n=name: tx.add_person(n, "administrator", hashed))
        opened.write(lambda tx: tx.add_person("pat", "pathologist", hashed))
        opened.write(lambda tx: tx.add_person("tom", "technologist", hashed))
        yield opened


@pytest.fixture
def typed(config: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str]]:
    def run(*words: str, who: str = "") -> tuple[int, str]:
        signed = ("--as", who, "--password-file", str(config.parent / "password")) * bool(who)
        code = main([*words, *signed, "--config", str(config)])
        said = capsys.readouterr()
        return code, said.out + said.err

    return run


def folder_of(place: Path, text: str) -> str:
    place.mkdir()
    (place / "test.rules").write_text(text)
    return str(place)


@given(files=st.dictionaries(names, contents, min_size=1, max_size=4))
@hypothesis(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.differing_executors],
)
def test_files_come_out_of_the_database_byte_for_byte(
    files: dict[str, str], store: Store, tmp_path_factory: pytest.TempPathFactory
) -> None:
    place = tmp_path_factory.mktemp("there")
    for name, text in files.items():
        (place / name).parent.mkdir(exist_ok=True)
        (place / name).write_bytes(text.encode())
    taken = read_folder(place, {"top": "6.1 mmol/L"})
    number = store.write(lambda tx: ruleshelf.add(tx, "ada", taken, "")).id
    back = tmp_path_factory.mktemp("back") / "new"
    given_back = store.read(lambda r: ruleshelf.texts(r, number))
    assert given_back.hash == taken.hash == store.read(lambda r: ruleshelf.known(r, number)).hash
    write_folder(back, given_back)
    assert {
        path.relative_to(back).as_posix(): path.read_bytes()
        for path in back.rglob("*")
        if path.is_file()
    } == {name: text.encode() for name, text in files.items()}
    assert given_back.parameters == {"top": "6.1 mmol/L"}


def test_a_folder_goes_in_and_comes_out(
    store: Store, typed: Callable[..., tuple[int, str]], tmp_path: Path
) -> None:
    text = "\ufeff" + LOWER.replace("\n", "\r\n")
    mine, back = tmp_path / "mine", tmp_path / "back"
    mine.mkdir()
    (mine / "a.rules").write_bytes(text.encode())
    code, said = typed("rules", "import", str(mine), "--note", "potassium 6.0")
    assert code == 0, said
    assert "version 2 is checked: 1 rules" in said
    assert "6.0" in said.split("against version 1, which is active:")[1]
    assert "verifier replay --candidate 2" in said.split("next, in this order:")[1]
    assert typed("rules", "export", "2", str(back))[0] == 0
    assert (back / "a.rules").read_bytes() == text.encode()
    assert typed("rules", "import", str(back)) == (
        0, "this is version 2 to the last byte; nothing was imported\n",
    )  # fmt: skip
    code, said = typed("rules", "export", "2", str(back))
    assert (code, "is not empty" in said) == (2, True)
    code, said = typed("rules", "export", "9", str(tmp_path / "none"))
    assert (code, "There is no version 9 of the rules; the newest is 2" in said) == (2, True)


def test_who_imports_without_a_name_is_told_and_can_be_named_later(
    store: Store, typed: Callable[..., tuple[int, str]], tmp_path: Path
) -> None:
    mine = folder_of(tmp_path / "mine", LOWER)
    code, said = typed("rules", "import", mine, "--note", "potassium 6.0")
    assert code == 0, said
    assert "which is no person who signs in" in said
    (named,) = (line for line in said.splitlines() if line.startswith("  verifier rules import"))
    assert mine in named
    machine = store.read(lambda r: ruleshelf.known(r, 2)).authors
    code, said = typed("rules", "import", mine, who="ada")
    assert (code, "ada is now among its writers" in said) == (0, True), said
    assert "no person who signs in" not in said
    version = store.read(lambda r: ruleshelf.known(r, 2))
    assert (version.authors, version.note) == ((*machine, "ada"), "potassium 6.0")
    assert version.checked
    assert "nothing was imported" in typed("rules", "import", mine, who="ada")[1]


def test_rules_with_errors_are_kept_as_a_draft(
    store: Store, typed: Callable[..., tuple[int, str]], tmp_path: Path
) -> None:
    code, said = typed("rules", "import", folder_of(tmp_path / "mine", RULES + "\nrule broken"))
    assert code == 1
    assert "test.rules:" in said
    assert "version 2 is a draft with errors" in said
    code, said = typed("approve", "2", who="pat")
    assert (code, "Version 2 is a draft" in said) == (2, True)
    code, said = typed("rules", "import", str(tmp_path / "nowhere"))
    assert (code, "no such folder" in said) == (2, True)


def test_from_draft_to_active_and_back_as_typed(
    store: Store, typed: Callable[..., tuple[int, str]], tmp_path: Path
) -> None:
    mine = folder_of(tmp_path / "mine", LOWER)
    code, said = typed("rules", "import", mine, who="pat")
    assert (code, "to write rules takes the role administrator" in said) == (2, True)
    assert typed("rules", "import", mine, "--note", "potassium 6.0", who="ada")[0] == 0
    code, said = typed("approve", "2", who="pat")
    assert (code, "Run: verifier replay --candidate 2" in said) == (2, True)
    assert typed("replay", "--candidate", "2")[0] == 0  # there is no history
    found = store.read(lambda r: ruleshelf.replay_of(r, 2, clock.now()))
    assert found
    digest = found.digest
    code, said = typed("approve", "2", who="pat")
    assert code == 0, said
    for told in ("version 2 by ada: potassium 6.0", digest, "of 0 specimens", "6.0"):
        assert told in said
    assert "1 of 2 people approved it" in said
    code, said = typed("approve", "2", who="pat")
    assert (code, "pat has approved version 2 already" in said) == (2, True)
    code, said = typed("activate", "2", who="ada")
    assert (code, "1 of 2 people approved it" in said) == (2, True)
    code, said = typed("approve", "2", "--hash", "0" * 12, who="ben")
    assert (code, "The hash is" in said) == (2, True)
    code, said = typed("approve", "2", "--replay", digest[:5], who="ben")
    assert (code, "at least the first 12" in said) == (2, True)
    assert typed("approve", "2", "--replay", digest[:12], who="ben")[0] == 0
    code, said = typed("activate", "2", "--at", "2126-03-02T06:00", who="ada")
    assert (code, said) == (0, "version 2 decides from 2126-03-02T04:00:00+00:00\n")
    code, said = typed("rules", "versions", "--json")
    (newest, first) = json.loads(said)
    assert (newest["state"], newest["from"]) == ("ordered", "2126-03-02T04:00:00+00:00")
    assert (first["state"], first["authors"]) == ("active", ["verifier"])
    code, said = typed("activate", "--withdraw", who="ada")
    assert (code, said.startswith("withdrawn: version 2")) == (0, True)
    assert typed("activate", "2", who="ada")[0] == 0
    assert "active from" in typed("rules", "versions")[1].split("version 1 by")[0]
    code, said = typed("rollback", "--because", "a mistake", who="tom")
    assert (code, "takes the role" in said) == (2, True)
    code, said = typed("rollback", "--because", "a mistake", who="pat")
    assert (code, said.startswith("version 1 decides again from")) == (0, True)
    code, said = typed("rollback", "--because", "more", who="pat")
    assert (code, "no version before" in said) == (2, True)


def test_who_signs_must_know_the_password(
    store: Store, config: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["rollback", "--because", "x", "--as", "ada", "--config", str(config)]
    monkeypatch.setattr("getpass.getpass", lambda asks: "wrong")
    assert main(words) == 2
    assert "password is wrong" in capsys.readouterr().err
    monkeypatch.setattr("sys.stdin", io.StringIO(PASSWORD + "\n"))
    assert main([*words, "--password-file", "-"]) == 2
    assert "no version before" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("activate",), "Name a version, or --withdraw"),
        (("activate", "2", "--withdraw"), "not both"),
        (("activate", "1", "--at", "tomorrow"), "'tomorrow' is no time"),
        (("activate", "1"), "Version 1 is active already"),
        (("activate", "--withdraw"), "No activation is pending"),
        (("approve", "1"), "Version 1 is active already"),
    ],
)
def test_wrong_use_is_told(
    store: Store, typed: Callable[..., tuple[int, str]], words: tuple[str, ...], says: str
) -> None:
    code, said = typed(*words, who="ada")
    assert (code, says in said) == (2, True), said


def start(store: Store, settings: Settings) -> rulestart.Rules:
    return rulestart.start_rules(store, settings, clock.now)


def test_the_numbers_of_the_site_belong_to_the_version(
    config: Path, typed: Callable[..., tuple[int, str]], tmp_path: Path
) -> None:
    rules = tmp_path / "rules" / "test.rules"
    rules.write_text(PARAMETER + RULES.replace("above 6.2", "above top"))
    settings = load(config)
    with Store.open(settings.database, checkpoints=settings.checkpoints) as store:
        first = start(store, settings)
        config.write_text(config.read_text() + '[parameters]\ntop = "5.9 mmol/L"\n')
        changed = load(config)
        again = start(store, changed)
        assert again.program.identity == first.program.identity
        assert "the [parameters] of the configuration are not what version 1 says" in again.told[1]
        code, said = typed("rules", "import", str(tmp_path / "rules"))
        assert (code, "5.9" in said) == (0, True), said
        assert start(store, changed).told[1] == (
            f"the folder {changed.rules} is version 2; version 1 decides"
        )
        assert '[parameters]\ntop = "5.9 mmol/L"' in typed(
            "rules", "export", "2", str(tmp_path / "back")
        )[1]  # fmt: skip


def test_what_another_version_of_this_program_checked_is_checked_anew(
    store: Store, config: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rulestart, "__version__", "9.9")
    monkeypatch.setattr(ruleshelf, "__version__", "9.9")
    start(store, load(config))
    version = store.read(lambda r: r.rule_version(1))
    assert version
    assert version.checked_with == "9.9"
    said = [entry.what for entry in store.read(lambda r: r.audit_of("rules:1"))]
    assert said.count("checked rules") == 2
    start(store, load(config))
    assert store.read(lambda r: len(r.audit_of("rules:1"))) == len(said)


def test_a_clock_set_back_before_the_first_version_is_told(store: Store, config: Path) -> None:
    before = store.read(lambda r: r.rule_activations()[0].at).replace(year=2020)
    with pytest.raises(RuleSetError, match="Set the clock"):
        rulestart.start_rules(store, load(config), lambda: before)


@pytest.mark.parametrize("name", ["../x.rules", "/x.rules", "a/../x.rules", "x.txt", "a\n.rules"])
def test_no_file_name_leaves_the_folder(name: str, tmp_path: Path) -> None:
    texts = ruleshelf.RuleTexts({name: ""}, {})
    with pytest.raises(RuleSetError, match="can not be the name"):
        write_folder(tmp_path / "new", texts)
    assert not (tmp_path / "new").exists()


def test_files_that_are_no_text_are_not_taken(tmp_path: Path) -> None:
    (tmp_path / "a.rules").write_bytes(b"\xff\xfe")
    with pytest.raises(RuleSetError, match="not UTF-8"):
        read_folder(tmp_path, {})
    (tmp_path / "a.rules").rename(tmp_path / "a.txt")
    with pytest.raises(RuleSetError, match=r"no \*\.rules file"):
        read_folder(tmp_path, {})


def test_a_check_uses_the_numbers_and_the_wiring_of_a_site(
    config: Path, typed: Callable[..., tuple[int, str]], tmp_path: Path
) -> None:
    folder = str(tmp_path / "rules")
    assert typed("rules", "check", folder)[0] == 0
    config.write_text(config.read_text() + '[parameters]\nbottom = "1 mmol/L"\n')
    code, said = typed("rules", "check", folder)
    assert (code, "bottom" in said) == (1, True)


def test_two_processes_that_start_first_agree_on_one_version(store: Store, config: Path) -> None:
    settings = load(config)
    (config.parent / "rules" / "test.rules").write_text(LOWER)
    other = rulestart.start_rules(store, settings, clock.now)
    late = store.write(
        lambda tx: ruleorders.begin(tx, read_folder(settings.rules, {}), other.program, "late")
    )
    assert late is None
    assert [row.version for row in store.read(lambda r: r.rule_activations())] == [1]

"""`verifier audit` and `verifier user`, as typed."""

import io
from pathlib import Path

import pyotp
import pytest

from verifier.cli import build_parser, main
from verifier.errors import RefusedError
from verifier.settings import load
from verifier.store import Store, sign_in, totp

PASSWORD = "correct horse battery"


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "verifier.toml"
    path.write_text("[connections.line]\nport = 0\n")
    return path


def opened(config: Path) -> Store:
    settings = load(config)
    return Store.open(settings.database, checkpoints=settings.checkpoints)


def user(config: Path, *words: str) -> int:
    action, *rest = words
    return main(["user", action, "--config", str(config), *rest])


@pytest.fixture
def password_file(tmp_path: Path) -> str:
    path = tmp_path / "password"
    path.write_text(PASSWORD + "\nsecond line\n")
    return str(path)


def test_people_come_and_go(
    config: Path, password_file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ("--password-file", password_file)
    assert user(config, "add", "root", "--role", "administrator", *asked) == 0
    assert user(config, "add", "ann", "--role", "technologist", *asked) == 0
    assert user(config, "role", "ann", "pathologist") == 0
    assert user(config, "lock", "ann") == 0
    capsys.readouterr()
    assert user(config, "list") == 0
    assert capsys.readouterr().out == "ann\tpathologist\tlocked\nroot\tadministrator\tmay sign in\n"
    assert user(config, "unlock", "ann") == 0
    with opened(config) as store:
        assert sign_in(store, "ann", PASSWORD).role == "pathologist"
        said = [entry.what for entry in store.read(lambda r: r.audit_of("person:ann"))]
    assert said == [
        "added as technologist", "given the role pathologist", "locked", "unlocked", "signed in",
    ]  # fmt: skip


def test_accounts_end_and_second_factors_go(
    config: Path, password_file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ("--password-file", password_file)
    assert user(config, "add", "root", "--role", "administrator", *asked) == 0
    assert user(config, "add", "ann", "--role", "technologist", *asked) == 0
    with opened(config) as store:
        secret = store.write(lambda tx: tx.begin_second_factor("ann"))
        code = pyotp.TOTP(totp.as_text(secret)).now()
        assert store.write(lambda tx: tx.confirm_second_factor("ann", code))
    assert user(config, "expires", "ann", "2999-12-31") == 0
    assert user(config, "link", "ann", "https://identity.example 4711") == 0
    capsys.readouterr()
    assert user(config, "list") == 0
    line = capsys.readouterr().out.splitlines()[0]
    assert line == (
        "ann\ttechnologist\tmay sign in until 3000-01-01 00:00 UTC, second factor, "
        "by the identity provider"
    )
    assert user(config, "reset-factor", "ann") == 0
    assert user(config, "reset-factor", "ann") == 2
    assert user(config, "expires", "ann", "tomorrow") == 2
    assert user(config, "expires", "root", "2999-12-31") == 2, "the last administrator"
    assert user(config, "expires", "ann", "2020-12-31") == 0
    assert user(config, "sign-out", "ann") == 0
    with opened(config) as store, pytest.raises(RefusedError):
        sign_in(store, "ann", PASSWORD)
    assert user(config, "expires", "ann", "never") == 0
    with opened(config) as store:
        assert sign_in(store, "ann", PASSWORD).subject == "https://identity.example 4711"
        said = {entry.what for entry in store.read(lambda r: r.audit_of("person:ann"))}
    assert said >= {"let end after 2020-12-31", "let end never", "second factor taken away"}


def test_a_password_from_standard_input(
    config: Path, password_file: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert user(
        config, "add", "ann", "--role", "technologist", "--password-file", password_file
    ) == 0  # fmt: skip
    monkeypatch.setattr("sys.stdin", io.StringIO("another long password\n"))
    assert user(config, "password", "ann", "--password-file", "-") == 0
    with opened(config) as store:
        assert sign_in(store, "ann", "another long password").name == "ann"


def test_a_password_that_is_asked_for(config: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    answers = iter([PASSWORD, PASSWORD, PASSWORD, "something else"])
    monkeypatch.setattr("getpass.getpass", lambda prompt: next(answers))
    assert user(config, "add", "ann", "--role", "technologist") == 0
    assert user(config, "add", "bob", "--role", "technologist") == 2


@pytest.mark.parametrize(
    "words",
    [
        ("lock", "nobody"),
        ("role", "nobody", "technologist"),
        ("add", "ann", "--role", "technologist", "--password-file", "no such file"),
    ],
)
def test_what_can_not_be_done_is_said(
    config: Path, words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert user(config, *words) == 2
    assert capsys.readouterr().err.startswith("verifier: ")


def audited(config: Path) -> None:
    with opened(config) as store:
        for number in range(5):
            store.write(lambda tx, n=number: tx.audit("ann", "released", f"case:{n}", {"n": n}))
        store.checkpoint()


def test_the_log_is_verified_in_the_database_and_offline(
    config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    audited(config)
    export = tmp_path / "audit.jsonl"
    assert main(["audit", "verify", "--config", str(config)]) == 0
    assert "nothing was altered" in capsys.readouterr().out
    assert main(["audit", "export", str(export), "--config", str(config)]) == 0
    assert main(["audit", "export", str(export), "--config", str(config)]) == 2, "never overwritten"
    kept = tmp_path / "checkpoints"
    elsewhere = [
        "--checkpoints",
        str(kept / "audit.checkpoints"),
        "--key",
        str(kept / "audit.public"),
    ]
    capsys.readouterr()
    assert main(["audit", "verify", "--export", str(export), *elsewhere]) == 0
    said = capsys.readouterr()
    assert "5 entries, 5 of them under 1 checkpoints" in said.out
    assert said.err == ""
    export.write_bytes(export.read_bytes().replace(b"case:3", b"case:4"))
    assert main(["audit", "verify", "--export", str(export), *elsewhere]) == 1
    assert "finding: " in capsys.readouterr().out
    export.write_text("nonsense\n")
    assert main(["audit", "verify", "--export", str(export)]) == 2


def test_verifying_changes_nothing_and_needs_a_database(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = sorted(config.parent.iterdir())
    assert main(["audit", "verify", "--config", str(config)]) == 2
    assert "no database" in capsys.readouterr().err
    assert sorted(config.parent.iterdir()) == before


@pytest.mark.parametrize("words", [["audit", "verify"], ["audit", "export"], ["user", "add"]])
def test_help_shows_an_example(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="0"):
        build_parser().parse_args([*words, "--help"])
    assert f"example: verifier {' '.join(words)}" in capsys.readouterr().out

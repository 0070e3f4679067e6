"""The configuration file: the example is complete, mistakes are named with their place."""

import re
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from verifier import practice, settings
from verifier.entrance import Oidc
from verifier.errors import SettingsError
from verifier.quality.choices import Choices
from verifier.quality.standing import Limits
from verifier.transport import ClientTls, ServerTls, admits

EXAMPLE = Path(__file__).parent.parent / "deploy" / "verifier.toml"
LEAST = {"connections": {"a": {"port": 2575}}}


def names_of(model: type[BaseModel]) -> set[str]:
    return set(model.model_fields)


def load_text(tmp_path: Path, text: str) -> settings.Settings:
    path = tmp_path / "verifier.toml"
    path.write_text(text, encoding="utf-8")
    return settings.load(path)


def test_the_example_can_be_loaded() -> None:
    loaded = settings.load(EXAMPLE)
    assert loaded.connections["chemistry"].tests == {"GLU-A": "glucose"}
    assert loaded.connections["chemistry"].mapping("chemistry").units == {"mmol/l": "mmol/L"}


def test_the_example_shows_every_setting() -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    shown = set(re.findall(r"^(?:# )?([a-z_]+) = ", text, re.M))
    tables = re.findall(r"^(?:# )?\[+([^\]]+)\]", text, re.M)
    shown |= {part for name in tables for part in name.split(".")}
    models = [settings.Settings, settings.Connection, settings.Destination]
    models += [ServerTls, ClientTls, settings.Web, settings.Quality, settings.MonitorPlan]
    models += [settings.Retention, settings.Worklist, Oidc]
    models += [practice.Acts, practice.Calls, practice.Coded]
    for model in models:
        assert names_of(model) <= shown, names_of(model) - shown


def test_the_monitor_of_the_example_can_be_switched_on(tmp_path: Path) -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    before, _, example = text.partition("# [quality.monitors.sodium]")
    loaded = load_text(
        tmp_path, before + re.sub(r"^# ?", "", "# [quality.monitors.sodium]" + example, flags=re.M)
    )
    plan = loaded.quality.monitors["sodium"].plan()
    assert (plan.kind, plan.low, plan.weight) == ("ewma", Decimal("138.6"), Decimal("0.1"))


def test_the_quality_settings_are_those_of_the_rules() -> None:
    quality = settings.Quality()
    assert quality.choices() == Choices()
    assert quality.limits() == Limits(timedelta(hours=24))
    with pytest.raises(SettingsError, match="limits to leave"):
        settings.parse(
            LEAST | {"quality": {"monitors": {"a": {"kind": "mean", "target": 1}}}}, EXAMPLE
        )


def test_defaults_shown_in_the_example_are_the_defaults() -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    shown = dict(re.findall(r"^# ([a-z_]+) = ([^#\n]*)", text, re.M))
    plain: dict[str, Any] = settings.parse(
        LEAST | {"destinations": {"d": {"port": 1}}}, EXAMPLE
    ).model_dump()
    everything = plain | plain["connections"]["a"] | plain["web"] | plain["quality"]
    for name in ("idle_seconds", "max_message_bytes", "session_minutes", "lock_minutes"):
        assert float(shown[name]) == everything[name]
    assert shown["without_state"].strip() == '"hold"'
    assert everything["without_state"] == "hold"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "connections"),
        ("[connections.a]\nport = 99999\n", "connections.a.port"),
        ("[connections.a]\nprot = 1\n", "connections.a.prot"),
        ('[connections.a]\nport = 1\nzone = "Mars/Base"\n', "unknown time zone"),
        ('[connections.a]\nport = 1\ndestinations = ["lis"]\n', "not under [destinations]"),
        ("[connections.a\n", "not valid TOML"),
    ],
)
def test_a_mistake_is_named_with_its_place(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(SettingsError, match=re.escape(said)):
        load_text(tmp_path, text)


def test_a_missing_file_is_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="Give a file with --config"):
        settings.load(tmp_path / "none.toml")


def test_paths_are_relative_to_the_file(tmp_path: Path) -> None:
    loaded = load_text(tmp_path, "[connections.a]\nport = 1\n")
    assert loaded.database == f"sqlite:///{tmp_path}/verifier.db"
    assert loaded.rules == tmp_path / "rules"


def test_everything_binds_to_loopback_unless_told() -> None:
    loaded = settings.parse(LEAST, EXAMPLE)
    assert loaded.connections["a"].host == loaded.web.host == "127.0.0.1"


def test_a_secret_may_be_kept_elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "secret").write_text("sqlite:///kept.db\n")
    kept = settings.parse(LEAST | {"database": f"file:{tmp_path}/secret"}, tmp_path / "v.toml")
    assert kept.database == f"sqlite:///{tmp_path}/kept.db"
    monkeypatch.setenv("VERIFIER_DATABASE", "sqlite:////somewhere/else.db")
    named = settings.parse(LEAST | {"database": "env:VERIFIER_DATABASE"}, tmp_path / "v.toml")
    assert named.database == "sqlite:////somewhere/else.db"
    assert "else.db" not in repr(named), "what may hold a password is not shown"


@pytest.mark.parametrize(
    ("place", "says"),
    [
        ("env:NOT_SET_ANYWHERE", "the environment variable 'NOT_SET_ANYWHERE' is not set"),
        ("file:/nowhere/secret", "can not be read from /nowhere/secret: No such file"),
    ],
)
def test_a_secret_that_is_missing_is_a_sentence(tmp_path: Path, place: str, says: str) -> None:
    with pytest.raises(SettingsError, match=says):
        settings.parse(LEAST | {"database": place}, tmp_path / "v.toml")


def test_who_may_connect_is_addresses_and_networks(tmp_path: Path) -> None:
    door = {"port": 1, "allow": ["10.1.0.0/16", "fe80::1", "192.168.0.7"]}
    allowed = settings.parse({"connections": {"a": door}}, tmp_path / "v.toml").connections["a"]
    inside = ["10.1.255.1", "192.168.0.7", "fe80::1%eth0", "::ffff:10.1.2.3"]
    assert all(admits(allowed.allow, address) for address in inside)
    outside = ["10.2.0.1", "192.168.0.8", "fe80::2", "", "nobody"]
    assert not any(admits(allowed.allow, address) for address in outside)
    with pytest.raises(SettingsError, match=r"connections.a.allow.0: .*10.1.0.0/16"):
        settings.parse({"connections": {"a": door | {"allow": ["lab"]}}}, tmp_path / "v.toml")

"""The configuration file: the example is complete, mistakes are named with their place."""

import re
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from verifier import settings
from verifier.errors import SettingsError

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
    shown |= {part for name in re.findall(r"^\[([^\]]+)\]", text, re.M) for part in name.split(".")}
    models = [settings.Settings, settings.Connection, settings.Destination]
    models += [settings.Web, settings.Quality, settings.MonitorPlan]
    for model in models:
        assert names_of(model) <= shown, names_of(model) - shown


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

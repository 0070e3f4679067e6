"""The configuration file: one place for every setting, its default and its meaning.

`load` turns a TOML file into frozen settings or raises `SettingsError` naming the key.
"""

import os
import tomllib
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from typing import Literal, Self, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from verifier.entrance import Web
from verifier.errors import SettingsError
from verifier.facts.catalogue import ConnectionMap, Handling, Presence
from verifier.hl7.acknowledge import RESULTS, Taken
from verifier.practice import COMMENTS, Acts, Calls, Coded
from verifier.quality.choices import Choices, RuleName, Spread
from verifier.quality.moving import Kind, Outside, Plan
from verifier.quality.standing import Limits, Recovery
from verifier.targets import Worklist
from verifier.tolerances import AllowableError
from verifier.transport import Allowed, ClientTls, Secret, ServerTls, beside

NODE = "VERIFIER_NODE"


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Connection(_Section):
    """One MLLP listener and how its sender's words are read."""

    host: str = "127.0.0.1"
    port: int = Field(ge=0, le=65535)
    destinations: tuple[str, ...] = ()
    requests: str = "list"  # or the destination that orders for reruns and specimens go to
    zone: str = "UTC"
    charset: str = ""
    processing: tuple[Literal["P", "T", "D"], ...] = ("P",)
    takes: tuple[Taken, ...] = RESULTS
    max_message_bytes: int = Field(4_194_304, gt=1024)
    idle_seconds: float = Field(600, gt=0)
    max_connections: int = Field(64, gt=0)
    most_per_second: float = Field(0, ge=0)
    allow: tuple[Allowed, ...] = ()
    tls: ServerTls | None = None
    comparator_in_numeric: bool = False
    collection_time: Presence = "required"
    tests: dict[str, str] = {}
    units: dict[str, str] = {}
    specimens: dict[str, str] = {}
    flags: dict[str, Handling] = {}
    indices: dict[str, str] = {}
    controls: tuple[str, ...] = ()

    @field_validator("zone")
    @classmethod
    def _zone_exists(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError) as error:
            raise ValueError(f"unknown time zone {value!r}; use a name such as UTC") from error
        return value

    def mapping(self, name: str) -> ConnectionMap:
        """Return the part of the settings that facts are read with."""
        return ConnectionMap(
            name=name,
            tests=self.tests,
            units=self.units,
            specimens=self.specimens,
            flags=self.flags,
            zone=self.zone,
            charset=self.charset,
            controls=self.controls,
            indices=self.indices,
            comparator_in_numeric=self.comparator_in_numeric,
            collection_time=self.collection_time,
        )


class Destination(_Section):
    """Where released results go: an MLLP receiver, usually the LIS."""

    host: str = "127.0.0.1"
    port: int = Field(ge=1, le=65535)
    version: Literal["2.3", "2.3.1", "2.4", "2.5", "2.5.1", "2.6", "2.7", "2.8"] | None = None
    application: str = "LIS"
    facility: str = ""
    held: Literal["withhold", "send unverified"] = "withhold"
    rejected: Literal["tell what was sent", "tell all"] = "tell what was sent"
    connect_seconds: float = Field(5, gt=0)
    answer_seconds: float = Field(30, gt=0)
    retry_seconds: float = Field(2, gt=0)
    retry_most_seconds: float = Field(300, gt=0)
    tls: ClientTls | None = None


class MonitorPlan(_Section):
    """How the patients' results of one test are watched (`verifier quality tune` proposes one)."""

    kind: Kind
    target: Decimal
    size: int = Field(20, gt=0)
    weight: Decimal = Field(Decimal("0.1"), gt=0, le=1)
    lowest: Decimal | None = None
    highest: Decimal | None = None
    outside: Outside = "leave out"
    low: Decimal | None = None
    high: Decimal | None = None
    sd: Decimal | None = Field(None, gt=0)
    width: Decimal = Field(Decimal(3), gt=0)

    @model_validator(mode="after")
    def _has_limits(self) -> Self:
        if self.low is None and self.high is None and self.sd is None:
            raise ValueError("give low and high, or sd, so that there are limits to leave")
        return self

    def plan(self) -> Plan:
        """Return it as the moving statistics know it."""
        return Plan(**self.model_dump())


class Quality(_Section):
    """The control rules in use, when controls are overdue, and what holds without any.

    What the rules mean stands in `verifier.quality.choices`.
    """

    without_state: Literal["hold", "assume in control"] = "hold"
    valid_hours: float = Field(24, gt=0)
    warn: tuple[RuleName, ...] = ("1-2s",)
    reject: tuple[RuleName, ...] = ("1-3s", "2-2s", "R-4s", "4-1s", "10x")
    inclusive: bool = False
    spread: Spread = "one beyond each side"
    across: tuple[RuleName, ...] = ("2-2s",)
    after_warning: bool = False
    run_minutes: float = Field(60, gt=0)
    overdue_hours: float = Field(24, ge=0)
    overdue_results: int = Field(0, ge=0)
    recovery: Recovery = "corrective action"
    own_least: int = Field(20, ge=2)
    monitor_alarm: Literal["show", "hold"] = "hold"
    allowable: dict[str, AllowableError] = {}
    monitors: dict[str, MonitorPlan] = {}  # by ``test``, or ``test on analyzer``

    def choices(self) -> Choices:
        """Return what the control rules are tried with."""
        return Choices(
            self.warn, self.reject, self.inclusive, self.spread, self.across, self.after_warning
        )

    def limits(self) -> Limits:
        """Return when controls are overdue by time and what ends a failure."""
        hours = timedelta(hours=self.overdue_hours) if self.overdue_hours else None
        return Limits(hours, self.recovery)


class Retention(_Section):
    """How long what names patients is kept; 0 is for ever. Settled cases only are removed."""

    days: int = Field(0, ge=0)


REPLAY_DAYS = 7  # of history in which those who approve rules see what these would change


class Settings(_Section):
    """Everything `verifier serve` needs. Relative paths are relative to the file.

    `parameters` are the numbers this site sets in place of those the rules give, such as
    ``{"hemolysis_limit": "0.6 g/L"}``. `units` is what results, limits and reasons are shown and
    derived results reported in: the declared units, or the conventional ones where rules name one.
    `replay_days` is how many days of history a replay must cover before a version is approved, or
    all of it where there is less.
    `node` names this process among several on one PostgreSQL database, each its own; the
    environment variable VERIFIER_NODE outranks it.
    """

    laboratory: str = "Laboratory"
    application: str = "VERIFIER"
    facility: str = "LAB"
    database: Secret = Field("sqlite:///verifier.db", repr=False)
    node: str = Field("main", pattern=r"^[A-Za-z0-9_.-]{1,64}$")
    checkpoints: Path = Path("checkpoints")
    rules: Path = Path("rules")
    parameters: dict[str, str] = {}
    units: Literal["SI", "conventional"] = "SI"
    replay_days: int = Field(REPLAY_DAYS, ge=0)
    zone: str = "UTC"
    connections: dict[str, Connection] = Field(min_length=1)
    destinations: dict[str, Destination] = {}
    web: Web = Web()
    quality: Quality = Quality()
    retention: Retention = Retention()
    worklist: Worklist = Worklist()
    comments: tuple[Coded, ...] = COMMENTS
    acts: Acts = Acts()
    calls: Calls = Calls()


def load(path: Path) -> Settings:
    """Read and check a configuration file.

    Raises:
        SettingsError: the file is missing, is no TOML, or a key is unknown, missing or wrong.
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise SettingsError(f"{path}: {error.strerror}. Give a file with --config.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path}: this is not valid TOML: {error}") from error
    if NODE in os.environ:
        data["node"] = os.environ[NODE]
    return parse(data, path)


def parse(data: dict[str, object], path: Path) -> Settings:
    """Check already parsed TOML; `path` names the file in errors and anchors relative paths."""
    try:
        settings = Settings.model_validate(data)
    except ValidationError as error:
        raise SettingsError("\n".join(_sentences(error, path))) from error
    for name, connection in settings.connections.items():
        asked = () if connection.requests == "list" else (connection.requests,)
        for destination in (*connection.destinations, *asked):
            if destination not in settings.destinations:
                known = ", ".join(settings.destinations) or "none"
                raise SettingsError(
                    f"{path}: connections.{name} names {destination!r}, "
                    f"which is not under [destinations]; known: {known}"
                )
    return _anchored(settings, path.resolve().parent)


def _sentences(error: ValidationError, path: Path) -> list[str]:
    lines = []
    for item in error.errors():
        place = ".".join(str(part) for part in item["loc"])
        known = " (no such setting; see deploy/verifier.toml)"
        hint = known if item["type"] == "extra_forbidden" else ""
        lines.append(f"{path}: {place}: {item['msg']}{hint}")
    return lines


def _anchored(settings: Settings, folder: Path) -> Settings:
    database = settings.database
    prefix = "sqlite:///"
    if database.startswith(prefix) and not Path(database[len(prefix) :]).is_absolute():
        database = f"{prefix}{folder / database[len(prefix) :]}"
    return settings.model_copy(
        update={
            "database": database,
            "checkpoints": folder / settings.checkpoints,
            "rules": folder / settings.rules,
            "connections": _with_tls(settings.connections, folder),
            "destinations": _with_tls(settings.destinations, folder),
            "web": _with_tls({"web": settings.web.beside(folder)}, folder)["web"],
        }
    )


_Door = TypeVar("_Door", Connection, Destination, Web)


def _with_tls(sections: dict[str, _Door], folder: Path) -> dict[str, _Door]:
    return {
        name: section.model_copy(update={"tls": beside(folder, section.tls)})
        for name, section in sections.items()
    }

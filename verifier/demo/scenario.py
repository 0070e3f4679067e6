"""The morning as data: who is in it, what is sent when, and what must come of it.

The data are the TOML files of ``verifier/demo/morning``, one per theme. A ``[[tube]]`` is one
message about one specimen, a ``[[wire]]`` is something odd on the wire, an ``[[act]]`` is something
a person does. All are played in the order of `day` and `at`, whichever file they stand in.
"""

import tomllib
from collections.abc import Mapping
from datetime import UTC, date, datetime, time, timedelta
from importlib.resources import files
from typing import Any, Literal, TypeAlias

import msgspec
from msgspec import Struct

from verifier.demo.notation import Expected, Reading, outcomes, readings
from verifier.errors import VerifierError

ENDS = time(12, 0)


class Patient(Struct, frozen=True, forbid_unknown_fields=True):
    """An invented patient. `born` is a date or an age such as ``47 years`` on the morning's day."""

    name: str
    number: str = ""
    sex: str = ""
    born: str = ""


class Analyzer(Struct, frozen=True, forbid_unknown_fields=True):
    """An invented analyzer. `codes` gives per test ``code^name^system unit``."""

    title: str
    application: str
    message: Literal["ORU^R01", "OUL^R22"]
    version: str
    zone: str
    usual: str
    codes: dict[str, str]
    indices_in_sac: bool = False
    settings: dict[str, Any] = {}

    @property
    def panel(self) -> dict[str, Reading]:
        """What a usual tube of this analyzer holds."""
        return readings(self.usual, {})


class _Step(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    title: str = msgspec.field(name="is")
    at: str
    day: int = 0

    @property
    def key(self) -> str:
        """The step's name: its day (0 is the morning itself) and time."""
        return f"{self.day} {self.at}" if self.day else self.at


class Tube(_Step, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One message about one specimen. `ack` is the answer it must get.

    `control` names the step whose control id is used again. `collected` and `analyzed` are times of
    the step's day; without them a specimen is collected and analyzed some time before.
    `values` are results in the unit of their test, `lis` what the LIS gets besides what is
    expected to be released: test, value and status. `judged` is what must be found of a control:
    verdict and rules.
    """

    id: str
    by: str
    results: str
    expect: str
    of: str = ""
    status: str = "F"
    role: str = "P"
    charset: str = ""
    control: str = ""
    collected: str = ""
    analyzed: str = ""
    ack: str = "AA"
    values: str = ""
    lis: str = ""
    comment: str = ""
    judged: str = ""
    specimen_type: str = "SER^Serum^HL70487"


class Wire(_Step, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Something odd on the wire; `again` names the earlier step whose bytes are sent."""

    by: str
    send: Literal["half", "garbage", "admission", "again"]
    again: str = ""
    ack: str = ""


class Act(_Step, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Something a person does while the morning runs.

    ``control`` records a state by hand, ``let controls speak`` takes it back. `levels` are those of
    one test: name, mark, mean and SD of each.
    """

    who: Literal["technologist", "pathologist", "administrator"]
    do: Literal[
        "control", "suspend", "resume", "release", "reject",
        "define levels", "let controls speak", "correct",
    ]  # fmt: skip
    tests: str = ""
    state: Literal["in control", "out of control", "unknown"] = "in control"
    scope: Literal["all", "test", "connection"] = "all"
    subject: str = ""
    specimen: str = ""
    lis: str = ""
    analyzer: str = ""
    levels: str = ""


class DerivedResult(Struct, frozen=True, forbid_unknown_fields=True):
    """A derived result of the rule set: its LOINC code and the tests it is worked out from."""

    code: str
    inputs: str


Step: TypeAlias = Tube | Wire | Act


class Morning(Struct, frozen=True, forbid_unknown_fields=True):
    """Everything that happens.

    `problems` are the outcomes of the messages a person finds on the list of odd ones, `never` the
    safeguards no message can show, with why, `reviews` what is to be looked into after a control
    failed: specimen, test, and what it was then. `parameters` are the numbers this laboratory sets
    in place of those of the rules.
    """

    patients: dict[str, Patient] = {}
    analyzers: dict[str, Analyzer] = {}
    derived: dict[str, DerivedResult] = {}
    problems: tuple[str, ...] = ()
    refused_by_lis: tuple[str, ...] = ()
    reviews: tuple[str, ...] = ()
    never: dict[str, str] = {}
    parameters: dict[str, str] = {}
    tube: tuple[Tube, ...] = ()
    wire: tuple[Wire, ...] = ()
    act: tuple[Act, ...] = ()

    @property
    def steps(self) -> list[Step]:
        """All steps in the order they are played."""
        return sorted([*self.tube, *self.wire, *self.act], key=lambda step: (step.day, step.at))

    def held_by(self, tube: Tube) -> dict[str, Reading]:
        """What the message of `tube` holds, by test."""
        return readings(tube.results, self.analyzers[tube.by].panel)


def load() -> Morning:
    """Read the morning's files into one.

    Raises:
        VerifierError: two steps share a moment, or a step names somebody who is not there.
    """
    parts = [
        msgspec.convert(tomllib.loads(path.read_text(encoding="utf-8")), Morning)
        for path in sorted(files("verifier.demo").joinpath("morning").iterdir(), key=str)
        if path.name.endswith(".toml")
    ]
    morning = _joined(parts)
    _check(morning)
    return morning


def _joined(parts: list[Morning]) -> Morning:
    whole: dict[str, Any] = {}
    for part in parts:
        for name in Morning.__struct_fields__:
            value = getattr(part, name)
            if isinstance(value, Mapping):
                whole[name] = {**whole.get(name, {}), **value}
            else:
                whole[name] = (*whole.get(name, ()), *value)
    return Morning(**whole)


def _check(morning: Morning) -> None:
    seen: set[str] = set()
    for step in morning.steps:
        if step.key in seen:
            raise VerifierError(f"two steps of the morning at {step.key}")
        seen.add(step.key)
        if isinstance(step, Tube) and step.of and step.of not in morning.patients:
            raise VerifierError(f"step {step.key}: no patient {step.of!r}")
        if not isinstance(step, Act) and step.by not in morning.analyzers:
            raise VerifierError(f"step {step.key}: no analyzer {step.by!r}")


def day_of(now: datetime) -> date:
    """Return the latest day whose morning is over: nothing is collected in the future."""
    return now.date() if now.time() >= ENDS else now.date() - timedelta(days=1)


def moment(step: Step, day: date, at: str = "") -> datetime:
    """Return when a step happens, UTC; `at` replaces its time."""
    hours, minutes = (at or step.at).split(":")
    start = datetime.combine(day + timedelta(days=step.day), time(), UTC)
    return start + timedelta(hours=int(hours), minutes=int(minutes))


def expected(tube: Tube, morning: Morning, whole: Mapping[str, Reading]) -> dict[str, Expected]:
    """Return what must become of each result that judging `tube` decides.

    `whole` is everything its specimen holds so far. What is not named goes by ``others``; a derived
    result is expected wherever the specimen holds all its inputs.
    """
    named = outcomes(tube.expect)
    others = named.pop("others", None)
    if others is not None:
        present = [*morning.held_by(tube), *derived_of(morning, whole)]
        named = dict.fromkeys(present, others) | named
    return {test: outcome for test, outcome in named.items() if outcome.outcome != "absent"}


def derived_of(morning: Morning, whole: Mapping[str, Reading]) -> list[str]:
    """Return the derived results that follow from what a specimen holds."""
    return [
        name for name, item in morning.derived.items() if set(item.inputs.split()) <= set(whole)
    ]

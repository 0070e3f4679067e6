"""A laboratory for the page: a real store, the shipped rules, a real server, invented messages."""

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import uvicorn
from databases import database_url

from verifier.language import Program
from verifier.rulefiles import Units, load_program
from verifier.service.line import Answer, Line
from verifier.service.rulestart import start_rules
from verifier.settings import Settings, parse
from verifier.store.people import hash_password
from verifier.store.rows import ROLES
from verifier.store.store import Store
from verifier.web.app import create_app

RULES = Path(__file__).parent.parent.parent / "rules"
PASSWORD = "a long enough password"
NAMES = {"technologist": "Tove", "pathologist": "Paula", "administrator": "Anders"}

CODES = {
    "sodium": ("2951-2", "Sodium", "mmol/L"),
    "potassium": ("2823-3", "Potassium", "mmol/L"),
    "chloride": ("2075-0", "Chloride", "mmol/L"),
    "bicarbonate": ("1963-8", "Bicarbonate", "mmol/L"),
    "urea": ("22664-7", "Urea", "mmol/L"),
    "creatinine": ("14682-9", "Creatinine", "umol/L"),
    "glucose": ("14749-6", "Glucose", "mmol/L"),
    "calcium": ("2000-8", "Calcium", "mmol/L"),
    "albumin": ("61151-7", "Albumin", "g/L"),
}


def settings(folder: Path, site: dict[str, Any], **web: Any) -> Settings:
    data = {
        "laboratory": "Harbour Street Laboratory",
        "database": database_url(folder, "page.db"),
        "checkpoints": str(folder / "checkpoints"),
        "rules": str(RULES),
        "connections": {
            "chemistry": {"port": 0, "destinations": ["lis"], "zone": "UTC"},
            "stat": {"port": 0, "destinations": ["lis"], "zone": "UTC"},
        },
        "destinations": {"lis": {"port": 9}},
        "web": {"port": 0, **web},
        # nobody of these tests was seen before
        "parameters": {
            "first_creatinine_below": "350 umol/L",
            "first_potassium_below": "20 mmol/L",
            "first_glucose_below": "60 mmol/L",
        },
        **site,
    }
    return parse(data, folder / "verifier.toml")


def message(
    specimen: str,
    values: dict[str, str],
    *,
    patient: str = "100001",
    name: str = "Example^Anna",
    born: str = "19600305",
    sex: str = "F",
    collected: datetime | None = None,
    control_id: str = "",
    indices: dict[str, str] | None = None,
    status: str = "F",
) -> bytes:
    taken = collected or datetime.now(UTC) - timedelta(minutes=40)
    at = taken.strftime("%Y%m%d%H%M%S+0000")
    done = (taken + timedelta(minutes=20)).strftime("%Y%m%d%H%M%S+0000")
    number = control_id or f"M{specimen}"
    segments = [
        f"MSH|^~\\&|ANALYZER|LAB|VERIFIER|LAB|{at}||ORU^R01^ORU_R01|{number}|P|2.5.1"
        "||||||UNICODE UTF-8",
        f"PID|1||{patient}^^^LAB^MR||{name}||{born}|{sex}",
        "PV1|1|I|3 East",
        f"ORC|RE|{specimen}",
        f"OBR|1|{specimen}|{specimen}|BMP^Basic metabolic panel^L|||{at}",
    ]
    place = 0
    for test, value in values.items():
        place += 1
        code, title, unit = CODES[test]
        segments.append(
            f"OBX|{place}|NM|{code}^{title}^LN||{value}|{unit}|||||{status}|||{at}||||AN-1|{done}"
        )
    for index, value in (indices or {}).items():
        place += 1
        segments.append(
            f"OBX|{place}|NM|{index}^{index}^L||{value}|g/L|||||F|||{at}||||AN-1|{done}"
        )
    segments.append(f"SPM|1|{specimen}||SER^Serum^HL70487|||||||P||||||{at}")
    return ("\r".join(segments) + "\r").encode()


class Time:
    """The clock of a house: real, and further on when a test says so."""

    def __init__(self) -> None:
        self.ahead = timedelta()

    def __call__(self) -> datetime:
        return datetime.now(UTC) + self.ahead


@dataclass
class House:
    store: Store
    line: Line
    settings: Settings
    time: Time
    url: str = ""
    server: uvicorn.Server | None = None

    def take(self, raw: bytes, connection: str = "chemistry") -> Answer:
        return self.store.write(lambda tx: self.line.take(tx, connection, raw, self.time()))

    def case_of(self, specimen: str) -> int:
        stored = self.store.read(lambda reader: reader.case_by_specimen(specimen))
        assert stored is not None
        return stored.id

    def in_control(self, *but: str) -> None:
        tests = [t for t in self.line.judge.program.catalogue.tests if t not in but]

        def record(tx: Any) -> None:
            for test in tests:
                tx.set_control_state(test, "in control", "Tove", "level 1 and 2 within limits")

        self.store.write(record)

    def outgoing(self, specimen: str) -> list[Any]:
        case = self.case_of(specimen)
        return self.store.read(lambda reader: reader.outgoing_of_case(case))

    def audited(self, specimen: str) -> list[tuple[str, str]]:
        case = self.case_of(specimen)
        entries = self.store.read(lambda reader: reader.audit_for_case(case))
        return [(entry.who, entry.what) for entry in entries]


@cache
def loaded(rules: Path, parameters: tuple[tuple[str, str], ...], units: Units) -> Program:
    """Return the rules of a folder as a site sets them; the same for many houses."""
    return load_program(rules, dict(parameters), units)


@contextmanager
def open_house(
    folder: Path, site: dict[str, Any] | None = None, *, versions: bool = False, **web: Any
) -> Iterator[House]:
    """Open a house; `site` are settings beside or in place of the usual ones.

    With `versions` its rules are version 1 in the database, as in a service.
    """
    config = settings(folder, site or {}, **web)
    time = Time()
    with Store.open(config.database, checkpoints=config.checkpoints, clock=time) as store:
        if versions:
            rules = start_rules(store, config, time)
            line = Line(config, rules.program, rules.version)
        else:
            line = Line(
                config, loaded(config.rules, tuple(config.parameters.items()), config.units)
            )
        hashed = hash_password(PASSWORD)
        store.write(lambda tx: [tx.add_person(NAMES[role], role, hashed) for role in ROLES])
        house = House(store, line, config, time)
        house.in_control()
        with _serving(house):
            yield house


@contextmanager
def _serving(house: House) -> Iterator[None]:
    app = create_app(house.store, house.line, house.settings, house.time)
    # With its protocol named, asyncio turns off the delay of small packets on what it accepts.
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listening.bind(("127.0.0.1", house.settings.web.port))
    config = uvicorn.Config(app, log_level="warning", timeout_graceful_shutdown=2)
    house.server = uvicorn.Server(config)
    thread = threading.Thread(target=house.server.run, kwargs={"sockets": [listening]})
    thread.start()
    house.url = f"http://127.0.0.1:{listening.getsockname()[1]}"
    try:
        yield
    finally:
        app.state.desk.pulse.close()
        house.server.should_exit = True
        thread.join(20)
        listening.close()


NORMAL = {
    "sodium": "139",
    "potassium": "4.2",
    "chloride": "102",
    "bicarbonate": "25",
    "urea": "5.1",
    "creatinine": "71",
    "glucose": "5.2",
    "calcium": "2.35",
    "albumin": "41",
}


def free(specimen: str) -> bytes:
    """A message of which everything may leave, named such as ``S-1``, with a patient of its own.

    Its values are its own as well: those of the specimen before would count as measured twice.
    """
    own = int(specimen[-1])
    values = NORMAL | {"potassium": f"4.{own}", "chloride": str(101 + own), "urea": f"5.{own}"}
    return message(specimen, values, indices={"H-INDEX": "0.1"}, patient=specimen)


def critical(specimen: str = "S-1", **more: Any) -> bytes:
    """A message with one critical potassium; everything else may leave."""
    values = {**NORMAL, "potassium": "6.9"}
    return message(specimen, values, indices={"H-INDEX": "0.1"}, **more)


def refused_by_receiver(house: House, specimen: str, answer: str) -> None:
    row = house.outgoing(specimen)[0]
    house.store.write(lambda tx: tx.mark_rejected(row.id, answer))

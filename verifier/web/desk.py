"""What every route needs: the store, the line, the settings, the time, and how a page is made."""

from collections.abc import Callable
from datetime import datetime
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import Depends, Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined

from verifier.clock import Clock
from verifier.service.line import Line
from verifier.service.status import Status
from verifier.settings import Settings
from verifier.store.rows import Person, Session
from verifier.store.signin import sign_in
from verifier.store.store import Store
from verifier.store.transaction import Reader, Transaction
from verifier.web import words
from verifier.web.catalogue import add_catalogue
from verifier.web.chores import Chores
from verifier.web.livecheck import LiveCheck
from verifier.web.pulse import Pulse
from verifier.web.roles import ABILITIES, can

Content = dict[str, Any]
SIGNING = "gave the password to sign"  # what the audit log says of it


class Desk:
    """Everything one running page is made of. Handlers run in threads and share it."""

    def __init__(
        self, store: Store, line: Line, settings: Settings, clock: Clock, status: Status
    ) -> None:
        self.store = store
        self.status = status
        self.line = line
        self.settings = settings
        self.clock = clock
        self.zone = ZoneInfo(settings.zone)
        self.pulse = Pulse(store, self.counters)
        self.live, self.chores = LiveCheck(settings), Chores()
        self._templates = _environment(self.zone, clock)

    def midnight(self) -> datetime:
        """Return when today began where the laboratory is."""
        return self.clock().astimezone(self.zone).replace(hour=0, minute=0, second=0, microsecond=0)

    def counters(self, reader: Reader) -> Content:
        """Return the numbers shown above every page, and whether release is suspended."""
        numbers = reader.statistics(since=self.midnight())
        refused = sum(count.rejected for count in numbers.outbox.values())
        return {
            "held": numbers.held_specimens,
            "waiting": numbers.waiting_specimens,
            "problems": numbers.problems + refused,
            "unread": numbers.problems,
            "refused": refused,
            "to_look_into": reader.to_look_into(),
            "sending": sum(count.waiting for count in numbers.outbox.values()),
            "by_rules": numbers.released_by_rules,
            "by_person": numbers.released_by_person,
            "alarm": self.line.alarm,
            "suspended": [words.suspension(row) for row in reader.suspensions()],
        }

    def show(
        self,
        template: str,
        session: Session,
        gather: Callable[[Reader], Content] = lambda reader: {},
        *,
        status: int = 200,
    ) -> HTMLResponse:
        """Read everything a page shows from one state of the database and make the page."""

        def read(reader: Reader) -> Content:
            return {"counters": self.counters(reader)} | gather(reader)

        content = self.store.read(read) | {"session": session, "person": session.person}
        return self.bare(template, content, status=status)

    def bare(self, template: str, content: Content, *, status: int = 200) -> HTMLResponse:
        """Make a page that needs nobody signed in."""
        shared = {"laboratory": self.settings.laboratory, "now": self.clock()}
        text = self._templates.get_template(template).render(shared | content)
        return HTMLResponse(text, status_code=status)

    def check_password(self, name: str, password: str, purpose: str = "signed in") -> Person:
        """Return the person, or raise RefusedError; wrong ones count towards the lock-out."""
        web = self.settings.web
        return sign_in(
            self.store,
            name,
            password,
            lock_after=web.lock_after_failures,
            lock_minutes=web.lock_minutes,
            purpose=purpose,
        )

    def sign(
        self, session: Session, password: str, work: Callable[[Transaction, Person, datetime], None]
    ) -> None:
        """Check the password of who is signed in and do what it signs, or raise RefusedError."""
        who, now = self.check_password(session.person.name, password, SIGNING), self.clock()
        self.store.write(lambda tx: work(tx, who, now))


def _environment(zone: ZoneInfo, clock: Clock) -> Environment:
    environment = Environment(
        loader=PackageLoader("verifier.web"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "moment": lambda at: words.moment(at, zone, clock()),
        "exactly": lambda at: words.exactly(at, zone),
        "since": lambda at: words.duration(clock() - at),
        "dated": lambda at: words.dated(at, zone),
        "lasted": words.duration,
        "gap": words.gap,
        "raw": words.raw_message,
        "visible": words.visible,
        "detail": words.detail,
        "sentence": words.sentence,
        "month": words.month,
    }
    add_catalogue(environment)
    environment.globals |= {"can": can, "abilities": ABILITIES, "SEVERITIES": words.SEVERITIES}
    return environment


def _desk(request: Request) -> Desk:
    desk: Desk = request.app.state.desk
    return desk


TheDesk = Annotated[Desk, Depends(_desk)]

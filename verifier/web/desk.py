"""What every route needs: the store, the line, the settings, the time, and how a page is made."""

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import Depends, Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined

from verifier.clock import Clock
from verifier.entrance import Web
from verifier.errors import RefusedError
from verifier.service import worklist
from verifier.service.line import Line
from verifier.service.status import Status
from verifier.settings import Settings
from verifier.store.people import hash_password
from verifier.store.rows import Person, Session
from verifier.store.signin import WRONG, sign_in
from verifier.store.store import Store
from verifier.store.transaction import Reader, Transaction
from verifier.store.worklistrows import View, Wanted
from verifier.texts import mark
from verifier.web import words
from verifier.web.catalogue import add_catalogue, say, told
from verifier.web.chores import Chores
from verifier.web.livecheck import LiveCheck
from verifier.web.pulse import Pulse
from verifier.web.roles import ABILITIES, can
from verifier.web.sights import Sights
from verifier.web.slowing import Slowing
from verifier.web.units import readable
from verifier.web.worklistview import AGES

if TYPE_CHECKING:
    from verifier.service.provider import Provider

Content = dict[str, Any]
MOST_WATCHED = 5000  # of the queue, worst first, whose versions open pages are told
SIGNING = "gave the password to sign"  # what the audit log says of it
_NOT_SIGNED = mark("The password is wrong, or this account is locked.")
AT_THE_DOOR = ""  # the audit log says more once it is known whether something else is owed


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
        self.pulse = Pulse(store, self.state)
        self.live, self.chores = LiveCheck(settings.units), Chores()
        self.slowing = Slowing(settings.web.slow_after_failures)
        self.sights = Sights(store)
        self._provider = _provider(settings.web, clock)
        self._templates = _environment(self.zone, clock)

    def midnight(self) -> datetime:
        """Return when today began where the laboratory is."""
        return self.clock().astimezone(self.zone).replace(hour=0, minute=0, second=0, microsecond=0)

    def moment(self, at: datetime) -> str:
        """Return an instant as short as it can be told apart where the laboratory is."""
        return words.moment(at, self.zone, self.clock())

    def counters(self, reader: Reader) -> Content:
        """Return the numbers shown above every page, and whether release is suspended."""
        numbers = reader.statistics(since=self.midnight())
        refused = sum(count.rejected for count in numbers.outbox.values())
        held = reader.held(self.view())
        return {
            "held": held.all,
            "critical": held.critical,
            "soon": held.soon,
            "missed": held.missed,
            "waiting": numbers.waiting_specimens,
            "problems": numbers.problems + refused,
            "unread": numbers.problems,
            "refused": refused,
            "to_look_into": reader.to_look_into(),
            "sending": sum(count.waiting for count in numbers.outbox.values()),
            "by_rules": numbers.released_by_rules,
            "by_person": numbers.released_by_person,
            "alarm": self.line.alarm,
            **self._calls(reader),
            "suspended": [words.suspension(row) for row in reader.suspensions()],
        }

    def _calls(self, reader: Reader) -> Content:
        calls, overdue = reader.calls_to_make(self.clock())
        asked = reader.request_count()
        return {"calls": calls, "overdue": words.overdue(overdue), "requests": asked}

    def view(self, person: str = "") -> View:
        """Return how the work list looks now, to a person or to nobody."""
        return worklist.view(self.settings, person, self.clock())

    def state(self, reader: Reader) -> Content:
        """Return what open pages are told: the counters, the held specimens, who is at them."""
        view = self.view()
        claims = reader.claims(view.claims_since)
        return self.counters(reader) | {
            "rows": dict(reader.listed(Wanted(), view, MOST_WATCHED)),
            "claims": {number: claim.person for number, claim in claims.items()},
            "looking": reader.present(view.seen_since),
        }

    def show(
        self,
        template: str,
        session: Session,
        gather: Callable[[Reader], Content] = lambda reader: {},
        *,
        status: int = 200,
    ) -> HTMLResponse:
        """Read everything a page shows from one state of the database and make the page.

        Patients it lists are given as ``sees`` and put on record before it is sent.
        """

        def read(reader: Reader) -> Content:
            return {"counters": self.counters(reader)} | gather(reader)

        content = self.store.read(read) | {"session": session, "person": session.person}
        self.sights.listed(session, content.pop("sees", ()))
        return self.bare(template, content, status=status)

    def bare(self, template: str, content: Content, *, status: int = 200) -> HTMLResponse:
        """Make a page that needs nobody signed in."""
        shared = {"laboratory": self.settings.laboratory, "now": self.clock()}
        text = self._templates.get_template(template).render(shared | content)
        return HTMLResponse(text, status_code=status)

    def check_password(self, name: str, password: str, purpose: str) -> Person:
        """Return the person, or raise RefusedError; wrong ones count towards the lock-out.

        Without a `purpose` it is for the door, where more may be owed.
        """
        try:
            return self._signed_in(name, password, purpose)
        except RefusedError as refused:
            if purpose and str(refused) == WRONG:  # the name is known: somebody is signed in
                raise RefusedError(_NOT_SIGNED) from refused
            raise

    def _signed_in(self, name: str, password: str, purpose: str) -> Person:
        web = self.settings.web
        return sign_in(
            self.store,
            name,
            password,
            lock_after=web.lock_after_failures,
            lock_minutes=web.lock_minutes,
            purpose=purpose,
            admits=lambda person: bool(purpose) or by_password(person, web),
        )

    def provider(self) -> "Provider":
        """Return the identity provider. Raises RefusedError when none is set."""
        if self._provider is None:
            raise RefusedError("This page has no identity provider.")
        return self._provider

    def change_password(self, name: str, old: str, new: str, again: str) -> None:
        """Give a person, whose old one was checked, the password they chose; or RefusedError."""
        if new != again:
            raise RefusedError("The two new passwords differ.")
        if new == old:
            raise RefusedError("The new password is the old one.")
        hashed = hash_password(new, name, self.settings.laboratory)

        def work(tx: Transaction) -> None:
            tx.set_password(name, hashed)
            tx.audit(name, "chose another password", f"person:{name}")

        self.store.write(work)

    def sign(
        self, session: Session, password: str, work: Callable[[Transaction, Person, datetime], None]
    ) -> None:
        """Check the password of who is signed in and do what it signs, or raise RefusedError."""
        who, now = self.check_password(session.person.name, password, SIGNING), self.clock()
        self.store.write(lambda tx: work(tx, who, now))


def by_password(person: Person, web: Web) -> bool:
    """Return whether somebody may come in by password and not by the identity provider alone."""
    if person.subject is not None:
        return False
    everybody = web.oidc is None or web.oidc.local == "everybody"
    return everybody or person.role == "administrator"


def _provider(web: Web, clock: Clock) -> "Provider | None":
    if web.oidc is None:
        return None
    from verifier.service.provider import Provider  # who has none does not wait for its libraries

    return Provider(web.oidc, clock)


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
        "device": words.device,
        "since": lambda at: words.duration(clock() - at),
        "dated": lambda at: words.dated(at, zone),
        "lasted": words.duration,
        "gap": words.gap,
        "raw": words.raw_message,
        "visible": words.visible,
        "detail": words.detail,
        "sentence": words.sentence,
        "month": words.month,
        "word": words.word,
        "said": say,
        "told": told,
        "severity": words.severity,
        "unit": readable,
    }
    environment.filters |= {"left": lambda soon, due: words.left(soon, due, clock())}
    add_catalogue(environment)
    environment.globals |= {"can": can, "abilities": ABILITIES}
    environment.globals |= {"AGES": AGES}
    return environment


def _desk(request: Request) -> Desk:
    desk: Desk = request.app.state.desk
    return desk


TheDesk = Annotated[Desk, Depends(_desk)]

"""What the store takes and gives: frozen rows. Every instant is aware and in UTC."""

from collections.abc import Mapping
from datetime import datetime
from typing import Literal

from msgspec import Struct

from verifier.entrance import Role as Role
from verifier.facts.case import CaseRecord, Control
from verifier.facts.values import Value
from verifier.facts.verdicts import Decision

MessageOutcome = Literal["accepted", "rejected", "unreadable", "control"]
OutgoingStatus = Literal["waiting", "sent", "rejected", "abandoned", "taken back"]
Scope = Literal["all", "test", "connection"]
ROLES: tuple[Role, ...] = ("technologist", "pathologist", "administrator")


class Inbound(Struct, frozen=True):
    """A message as received. `ack` are the bytes answered, kept so that a resend gets the same.

    `error` says why it was not accepted; `note` is what a person should see although it was.
    Either makes it a problem until somebody settles it.
    """

    id: int
    received: datetime
    connection: str
    application: str
    facility: str
    control_id: str
    body_hash: bytes
    type: str
    raw: bytes
    outcome: MessageOutcome
    ack: bytes | None = None
    error: str = ""
    note: str = ""


class Receipt(Struct, frozen=True):
    """That a control id of a sender came before, with which body and which answer."""

    message_id: int
    body_hash: bytes
    ack: bytes | None
    received: datetime
    outcome: MessageOutcome


class Problem(Struct, frozen=True):
    """A message a person should look at: not accepted, or accepted with a note."""

    message_id: int
    received: datetime
    connection: str
    control_id: str
    type: str
    outcome: MessageOutcome
    error: str
    note: str


class ResultRow(Struct, frozen=True):
    """One live result of a case as it is stored: value in the unit of the test.

    `reason` is the rule name of its worst reason, empty when there is none. `analyzer` and
    `measured` are set where what is measured after it may be compared with it.
    """

    entry: int
    test: str
    code: str
    value: Value
    unit: str
    outcome: str = ""
    reason: str = ""
    analyzer: str | None = None
    measured: datetime | None = None


class StoredCase(Struct, frozen=True):
    """A case with its latest decision. `severity` is explained in `store.severity`."""

    id: int
    version: int
    record: CaseRecord
    decision: Decision | None
    rule_set: str
    severity: int
    held: int
    waiting: int
    updated: datetime


class StoredDecision(Struct, frozen=True):
    """A decision as made, for ever. `message_id` is None when time or a person caused it.

    `has_facts` is true when the case it was made from is stored with it (`Reader.facts`).
    `version` is that of the rule set (`Reader.rule_version`), None where no version decided.
    """

    id: int
    case_id: int
    message_id: int | None
    decision: Decision
    has_facts: bool
    version: int | None = None


class HeldResult(Struct, frozen=True):
    """One held result of a queue row, with the sentence of its worst reason."""

    test: str
    title: str
    value: str
    unit: str
    flag: str
    rule: str
    text: str


class QueueRow(Struct, frozen=True):
    """A specimen with at least one held result. Counts are results of the specimen.

    Rows of equal `likeness` may leave with one signature; it is empty where a person has to look
    at each (`store.likeness`).
    """

    case_id: int
    version: int
    severity: int
    specimen: str
    specimen_type: str
    patient_key: str
    patient_number: str
    patient_name: str
    opened: datetime
    collected: datetime | None
    held: int
    waiting: int
    released: int
    results: tuple[HeldResult, ...]
    ward: str
    priority: str
    likeness: str


class Outgoing(Struct, frozen=True):
    """A message for a destination. Order per destination is the order of ids.

    Make `id` inside the transaction that adds it, so that the order is the order of commits. Until
    `not_before` a person may take it back; only what follows for the same case waits for it.
    """

    id: int
    destination: str
    case_id: int | None
    control_id: str
    payload: bytes
    created: datetime
    not_before: datetime | None = None


class OutgoingRow(Struct, frozen=True):
    """An outgoing message with what became of it. `not_before` is set after a failed attempt,
    and before the first one while a person may take it back."""

    id: int
    destination: str
    case_id: int | None
    control_id: str
    payload: bytes
    created: datetime
    status: OutgoingStatus
    attempts: int
    not_before: datetime | None
    finished: datetime | None
    answer: str


class OutboxCount(Struct, frozen=True):
    """How many messages of a destination wait and were rejected; since when the oldest waits."""

    waiting: int
    rejected: int
    oldest: datetime | None


class SuspensionRow(Struct, frozen=True):
    """Automatic release stopped: for all, for a test or for a connection named by `subject`."""

    id: int
    scope: Scope
    subject: str
    text: str
    who: str
    since: datetime


class ControlRow(Struct, frozen=True):
    """The control state of a test as last recorded; the empty analyzer stands for every one."""

    test: str
    state: Control
    who: str
    at: datetime
    note: str
    analyzer: str = ""


Step = Literal["", "code", "enrol", "password"]  # what is still owed before a session opens


class Person(Struct, frozen=True):
    """Somebody who may sign in. `locked` stands until an administrator unlocks.

    The account is of no use from `ends` on. `subject` is set for people whom an identity provider
    lets in: their password signs and does not open the door.
    """

    name: str
    role: Role
    locked: bool
    failures: int
    locked_until: datetime | None
    created: datetime
    password_set: datetime | None = None
    ends: datetime | None = None
    subject: str | None = None

    def ended(self, now: datetime) -> bool:
        """Return whether the account has ended."""
        return self.ends is not None and self.ends <= now


class Session(Struct, frozen=True):
    """A signed-in browser. `csrf` is bound to the session and never the token itself.

    It ends at `expires`, which use puts off, and at `until`, which nothing does. While a `step` is
    owed it opens nothing. `handle` names it to people who may end it and opens nothing either.
    """

    person: Person
    csrf: str
    created: datetime
    expires: datetime
    until: datetime
    seen: datetime
    step: Step
    agent: str
    address: str
    handle: str


class SecondFactor(Struct, frozen=True):
    """The secret of a person's authenticator; None until a code of it was given.

    `pending` is one that is being set up. `last_step` is the newest time step used.
    """

    secret: bytes | None
    pending: bytes | None
    last_step: int
    recovery: int


class AuditEntry(Struct, frozen=True):
    """One line of the audit log. `detail` is None when it was removed after its time."""

    seq: int
    at: datetime
    writer: str
    who: str
    what: str
    subject: str
    detail: Mapping[str, object] | None


class AuditHead(Struct, frozen=True):
    """Where the audit log stands: how many entries, and the root of the tree over them."""

    origin: str
    size: int
    root: bytes


class Statistics(Struct, frozen=True):
    """The counters of the page. Released counts are results since the instant asked for."""

    held_specimens: int
    waiting_specimens: int
    released_by_rules: int
    released_by_person: int
    problems: int
    outbox: Mapping[str, OutboxCount]
    last_message: Mapping[str, datetime]

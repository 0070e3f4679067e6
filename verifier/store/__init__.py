"""The database: the only room that speaks SQL. Start at `Store`, `Reader` and `Transaction`."""

from verifier.store.ids import new_id
from verifier.store.passwords import SHORTEST_PASSWORD
from verifier.store.people import hash_password, password_fits
from verifier.store.results import result_rows
from verifier.store.rows import (
    ROLES,
    AuditEntry,
    AuditHead,
    ControlRow,
    HeldResult,
    Inbound,
    OutboxCount,
    Outgoing,
    OutgoingRow,
    Person,
    Problem,
    QueueRow,
    Receipt,
    ResultRow,
    Role,
    Scope,
    Session,
    Statistics,
    StoredCase,
    StoredDecision,
    SuspensionRow,
)
from verifier.store.rulerows import ActivationRow, ApprovalRow, ReplayRow, RuleTexts, VersionRow
from verifier.store.severity import CRITICAL
from verifier.store.signin import sign_in
from verifier.store.store import Store
from verifier.store.transaction import Reader, Transaction

__all__ = [
    "CRITICAL",
    "ROLES",
    "SHORTEST_PASSWORD",
    "ActivationRow",
    "ApprovalRow",
    "AuditEntry",
    "AuditHead",
    "ControlRow",
    "HeldResult",
    "Inbound",
    "OutboxCount",
    "Outgoing",
    "OutgoingRow",
    "Person",
    "Problem",
    "QueueRow",
    "Reader",
    "Receipt",
    "ReplayRow",
    "ResultRow",
    "Role",
    "RuleTexts",
    "Scope",
    "Session",
    "Statistics",
    "Store",
    "StoredCase",
    "StoredDecision",
    "SuspensionRow",
    "Transaction",
    "VersionRow",
    "hash_password",
    "new_id",
    "password_fits",
    "result_rows",
    "sign_in",
]

"""Which version of the rules decides, from when on: activation, withdrawal, rollback.

Each act is one transaction and on record; a running service notices it (`rulewatch`).
"""

from datetime import UTC, datetime

from verifier.errors import RefusedError
from verifier.language import Program
from verifier.service.ruleshelf import (
    ACTIVATES,
    PROGRAM,
    RULES,
    add,
    counted,
    fit_version,
    keep_check,
    known,
    may,
    needed_replay,
    subject,
)
from verifier.service.rulestate import course, missing
from verifier.store.rows import Person
from verifier.store.rulerows import ActivationRow, RuleTexts, VersionRow
from verifier.store.transaction import Transaction


def order(
    tx: Transaction, who: Person, number: int, at: datetime | None = None, note: str = ""
) -> ActivationRow:
    """Let an approved version decide from `at` on, None for now.

    Raises:
        RefusedError: the role may not, approvals are missing or have lapsed, the time is past,
            or another activation is pending.
    """
    may(who, ACTIVATES, "activate rules")
    tx.claim(RULES)
    version, now = fit_version(tx, number), tx.now()
    where = course(tx.rule_activations(), now)
    if where.pending:
        raise RefusedError(
            "The activation of version %(version)s at %(at)s is pending; withdraw it first.",
            version=where.pending.version,
            at=where.pending.at.isoformat(),
        )
    if where.active and where.active.version == number:
        raise RefusedError("Version %(number)s is active already.", number=number)
    if at is not None and at < now:
        raise RefusedError("%(at)s is past; leave the time out to activate now.", at=at.isoformat())
    needed_replay(tx, version, where)
    if lacking := missing(version, counted(tx, version, where)):
        raise RefusedError(
            "Version %(number)s can not be activated: %(lacking)s.", number=number, lacking=lacking
        )
    row = tx.add_rule_activation(number, (at or now).astimezone(UTC), who.name, note, "activation")
    _on_record(tx, "ordered the activation of rules", row, version)
    return row


def withdraw(tx: Transaction, who: Person) -> ActivationRow:
    """Take the pending activation back. Raises RefusedError when there is none."""
    may(who, ACTIVATES, "withdraw an activation")
    tx.claim(RULES)
    pending = course(tx.rule_activations(), tx.now()).pending
    if pending is None:
        raise RefusedError("No activation is pending.")
    _withdraw(tx, who, pending)
    return pending


def roll_back(tx: Transaction, who: Person, because: str) -> ActivationRow:
    """Let the version before the active one decide at once; one person may, and says why.

    What is pending is withdrawn. A second rollback goes further back.

    Raises:
        RefusedError: the role may not, no reason is given, or there is no version before.
    """
    may(who, ACTIVATES, "roll rules back")
    if not because.strip():
        raise RefusedError("Say why the rules are rolled back; the record must show it.")
    tx.claim(RULES)
    where = course(tx.rule_activations(), tx.now())
    if where.before is None:
        raise RefusedError("There is no version before the active one to go back to.")
    if where.pending:
        _withdraw(tx, who, where.pending)
    row = tx.add_rule_activation(where.before, tx.now(), who.name, because, "rollback")
    _on_record(tx, "rolled rules back", row, known(tx, where.before))
    return row


def begin(tx: Transaction, written: RuleTexts, program: Program, note: str) -> ActivationRow | None:
    """Activate the first version of all, which needs no approval: nothing decided before it.

    Returns None when another process was first.
    """
    tx.claim(RULES)
    if tx.rule_activations():
        return None
    version = tx.rule_version_by_hash(written.hash) or add(tx, PROGRAM, written, note)
    keep_check(tx, PROGRAM, version.id, written.hash, program)
    row = tx.add_rule_activation(version.id, tx.now(), PROGRAM, note, "first")
    _on_record(tx, "activated the first rules", row, version)
    return row


def _withdraw(tx: Transaction, who: Person, pending: ActivationRow) -> None:
    tx.withdraw_rule_activation(pending.id, who.name)
    _on_record(tx, "withdrew the activation of rules", pending, known(tx, pending.version), who)


def _on_record(
    tx: Transaction,
    what: str,
    row: ActivationRow,
    version: VersionRow,
    who: Person | None = None,
) -> None:
    detail = {
        "hash": version.hash,
        "rule set": version.identity,
        "from": row.at.isoformat(),
        "note": row.note,
    }
    tx.audit(who.name if who else row.person, what, subject(row.version), detail)

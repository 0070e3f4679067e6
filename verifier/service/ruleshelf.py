"""The versions of the rule set: what people do with them, each act in one transaction, on record.

The way of a version: `add` a draft (it may have errors), `edit` it while it is one, check it and
prove its guarantees (`rulechecks.check_version`), `store_replay` of what it would have decided
otherwise than the active version, `ruleapproval.approve` by two people, `ruleorders.order` its
activation for now or later, `ruleorders.roll_back` if it was a mistake. A running service notices
(`rulewatch`).

What the page, replay and reports call:

- `shelf(reader, now) -> Shelf`: every version with its state and the approvals that count
- `texts(reader, number) -> RuleTexts` · `ruletexts.compared(old, new) -> list[str]`
- `replay_of(reader, number, now) -> ReplayRow | None`: the replay that approvals must name
- `ruleapproval.approvable(reader, number, now)`: version and replay to approve, or why not
- `add`, `edit`, `keep_check`, `store_replay`, `ruleapproval.approve`, and in `ruleorders` `order`,
  `withdraw`, `roll_back`

Writers take a `Transaction` and raise `RefusedError` with a sentence for the person.

Approvals name the hash of the texts and the digest of the replay the person saw. They count only
while the version has these texts and the newest replay against the version that is active now has
this digest: after an edit, another replay or another activation they lapse and must be given anew.
`Reader.rule_approvals` and `Reader.rule_activations` are the whole record.
"""

from collections.abc import Mapping
from datetime import datetime

from msgspec import Struct

from verifier import __version__
from verifier.assurance.proving import Proofs
from verifier.errors import RefusedError
from verifier.language import Program
from verifier.service.replaycover import said_of
from verifier.service.ruleguarantees import needed_proofs, proofs_of, put_on_record
from verifier.service.rulestate import Course, Listed, carried, counting, course, state_of
from verifier.service.ruletexts import check_names
from verifier.store.rows import Person, Role
from verifier.store.rulerows import ApprovalRow, ReplayRow, RuleTexts, VersionRow
from verifier.store.transaction import Reader, Transaction

WRITES: frozenset[Role] = frozenset({"administrator"})
APPROVES: frozenset[Role] = frozenset({"pathologist", "administrator"})
ACTIVATES: frozenset[Role] = frozenset({"pathologist", "administrator"})  # and rolls back
RULES = "rules"  # what every act on versions claims: one at a time among all nodes
PROGRAM = "verifier"  # on record for the first version, which nobody approved
REPLAYED = "replayed rules"  # as the audit log says it


class Shelf(Struct, frozen=True):
    """Every version, newest first, and which of them decides."""

    versions: tuple[Listed, ...]
    course: Course


def shelf(reader: Reader, now: datetime) -> Shelf:
    """Return every version with where it stands."""
    where = course(reader.rule_activations(), now)
    listed = []
    for version in reversed(reader.rule_versions()):
        approvals = counted(reader, version, where)
        before = carried(version, reader.rule_approvals(version.id), where.record)
        listed.append(Listed(version, state_of(version, where, approvals, now), approvals, before))
    return Shelf(tuple(listed), where)


def known(reader: Reader, number: int) -> VersionRow:
    """Return a version. Raises RefusedError when there is none with this number."""
    if found := reader.rule_version(number):
        return found
    numbers = [row.id for row in reader.rule_versions()]
    have = f"the newest is {numbers[-1]}" if numbers else "there is none yet"
    raise RefusedError(
        "There is no version %(number)s of the rules; %(have)s.", number=number, have=have
    )


def texts(reader: Reader, number: int) -> RuleTexts:
    """Return what a version says. Raises RefusedError when there is no such version."""
    found = reader.rule_texts(known(reader, number).id)
    assert found is not None, "a version has texts"
    return found


def replay_of(reader: Reader, number: int, now: datetime) -> ReplayRow | None:
    """Return the newest replay, if it is of these very texts and against what is active now."""
    version = known(reader, number)
    return _replay(reader, version, course(reader.rule_activations(), now))


def add(
    tx: Transaction, who: str, written: RuleTexts, note: str, based_on: int | None = None
) -> VersionRow:
    """Keep a new draft. Raises RuleSetError for a file name that can not be one."""
    check_names(written.files)
    tx.claim(RULES)
    version = tx.add_rule_version(who, written, note, based_on)
    detail = {"hash": version.hash, "note": note, "based on": based_on}
    tx.audit(who, "drafted rules", subject(version.id), detail)
    return version


def edit(
    tx: Transaction, who: Person, number: int, files: Mapping[str, str], note: str, seen: str
) -> VersionRow:
    """Replace the files of a draft; `seen` is the hash of the texts the person began from.

    The version must be checked, replayed and approved anew.

    Raises:
        RefusedError: the role may not, somebody else changed it, or its activation was ordered.
        RuleSetError: a file name that can not be one.
    """
    may(who, WRITES, "write rules")
    check_names(files)
    tx.claim(RULES)
    version = known(tx, number)
    if version.hash != seen:
        raise RefusedError(
            "Version %(number)s was changed meanwhile. Look at it again first.", number=number
        )
    if any(row.version == number for row in tx.rule_activations()):
        raise RefusedError(
            "The activation of version %(number)s is on record, so it stays as it is. Make "
            "a new draft of it.",
            number=number,
        )
    written = RuleTexts(dict(files), texts(tx, number).parameters)
    authors = tuple(dict.fromkeys((*version.authors, who.name)))
    tx.edit_rule_version(number, authors, written, note)
    detail = {"hash": written.hash, "hash before": version.hash, "note": note}
    tx.audit(who.name, "changed drafted rules", subject(number), detail)
    return known(tx, number)


def keep_check(tx: Transaction, who: str, number: int, seen: str, program: Program) -> VersionRow:
    """Record that the texts with the hash `seen` were checked and compiled to `program`.

    Raises:
        RefusedError: the version was changed while it was checked.
    """
    tx.claim(RULES)
    if known(tx, number).hash != seen:
        raise RefusedError(
            "Version %(number)s was changed while it was checked. Check it again.", number=number
        )
    tx.set_rule_checked(number, program.identity, who, __version__)
    detail = {"hash": seen, "rule set": program.identity, "program": __version__}
    tx.audit(who, "checked rules", subject(number), detail)
    version = known(tx, number)
    if not program.guarantees and proofs_of(tx, version) is None:
        put_on_record(tx, who, version, Proofs(program.identity, (), 0.0, ()))
    return version


def store_replay(
    tx: Transaction,
    number: int,
    against: int,
    result: bytes,
    *,
    seen: str | None = None,
    who: str = PROGRAM,
) -> str:
    """Keep what a replay found, also that there was no history; return the digest people approve.

    The same texts with the same `result` (a JSON object, keys in a fixed order, no times of the
    run in it) have the same digest. `seen` is the hash of the texts that were replayed.

    Raises:
        RefusedError: the version was changed while it was replayed.
    """
    tx.claim(RULES)
    version = known(tx, number)
    if seen not in (None, version.hash):
        raise RefusedError(
            "Version %(number)s was changed while it was replayed. Replay it again.", number=number
        )
    digest = tx.add_rule_replay(version, known(tx, against), result)
    detail = {"against": against, "digest": digest, "covered": said_of(result)}
    tx.audit(who, REPLAYED, subject(number), detail)
    return digest


def fit_version(reader: Reader, number: int) -> VersionRow:
    """Return a version this program has checked, with no guarantee refuted, else RefusedError."""
    version = known(reader, number)
    if version.checked is None:
        raise RefusedError(
            "Version %(number)s is a draft that was not checked, or has errors.", number=number
        )
    if version.checked_with != __version__:
        raise RefusedError(
            "Version %(number)s was checked by verifier %(checked_with)s, and this is "
            "%(version)s. Check it again.",
            number=number,
            checked_with=version.checked_with,
            version=__version__,
        )
    needed_proofs(reader, version)
    return version


def _replay(reader: Reader, version: VersionRow, where: Course) -> ReplayRow | None:
    if where.active is None:
        return None
    found = reader.rule_replay(version.id, where.active.version)
    return found if found and found.hash == version.hash else None


def needed_replay(reader: Reader, version: VersionRow, where: Course) -> ReplayRow:
    """Return the replay against the active version. Raises RefusedError when there is none."""
    if where.active is None:
        raise RefusedError("No version is active yet; start the service once, or the first import.")
    found = _replay(reader, version, where)
    if found is None:
        raise RefusedError(
            "Version %(id)s was not replayed against version %(version)s, which is active "
            "now. Run: verifier replay --candidate %(id)s",
            id=version.id,
            version=where.active.version,
        )
    return found


def counted(reader: Reader, version: VersionRow, where: Course) -> tuple[ApprovalRow, ...]:
    """Return the approvals of a version that count now."""
    replayed = where.active and reader.rule_replay_hashes(version.id, where.active.version)
    if not replayed or replayed[0] != version.hash:
        return ()
    return counting(version, reader.rule_approvals(version.id), replayed[1], where)


def may(who: Person, roles: frozenset[Role], what: str) -> None:
    """Raise RefusedError when the role of a person does not allow what they want to do."""
    if who.role not in roles:
        allowed = " or ".join(sorted(roles))
        raise RefusedError(
            "%(name)s is %(role)s; to %(what)s takes the role %(allowed)s.",
            name=who.name,
            role=who.role,
            what=what,
            allowed=allowed,
        )


def subject(number: int) -> str:
    """Return how the audit log names a version."""
    return f"rules:{number}"

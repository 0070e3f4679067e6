"""Versions of the rule set: drafts, checks, replays, approvals, and when each decided."""

import hashlib
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import msgspec
from sqlalchemy import bindparam, func, insert, or_, select, text, update

from verifier.store import ruleschema
from verifier.store.base import Reading, Writing
from verifier.store.codec import encode, instant, instant_or_none, micros, micros_or_none
from verifier.store.ids import new_id
from verifier.store.rulerows import (
    ActivationKind,
    ActivationRow,
    ApprovalRow,
    ProofRow,
    ReplayRow,
    RuleTexts,
    VersionRow,
)
from verifier.store.sql import Statement

_version, _approval = ruleschema.rule_version, ruleschema.rule_approval
_activation, _replay = ruleschema.rule_activation, ruleschema.rule_replay
_proof = ruleschema.rule_proof
_words = msgspec.json.Decoder(tuple[str, ...]).decode
_texts = msgspec.json.Decoder(dict[str, str]).decode

_columns = [column for column in _version.c if column.name not in ("files", "parameters")]
_of_version = _version.c.id == bindparam("number")
_VERSIONS = Statement(select(*_columns).order_by(_version.c.id))
_VERSION = Statement(select(*_columns).where(_of_version))
_BY_HASH = Statement(
    select(*_columns)
    .where(_version.c.hash == bindparam("wanted"))
    .order_by(_version.c.id.desc())
    .limit(1)
)
_TEXTS = Statement(select(_version.c.files, _version.c.parameters).where(_of_version))
_NEWEST = Statement(select(func.max(_version.c.id)))
_ADD = Statement(insert(_version))
_CHECKED = ("identity", "checked", "checked_by", "checked_with")
_EDIT, _CHECK = (
    Statement(update(_version).where(_of_version).values({n: bindparam(f"new_{n}") for n in names}))
    for names in (
        ("authors", "note", "changed", "hash", "files", "parameters", *_CHECKED),
        _CHECKED,
    )
)
_APPROVALS = Statement(
    select(*_approval.c[1:])
    .where(_approval.c.version == bindparam("number"))
    .order_by(_approval.c.id)
)
_APPROVE = Statement(insert(_approval))
_ACTIVATIONS = Statement(select(_activation).order_by(_activation.c.id))
_ordered = select(func.max(_activation.alias("any").c.ordered)).scalar_subquery()
_DUE = Statement(
    select(_activation)
    .where(
        text("withdrawn IS NULL"),
        or_(_activation.c.at <= bindparam("now"), _activation.c.at <= _ordered),
    )
    .order_by(_activation.c.id.desc())
    .limit(1)
)
_NEWEST_ACTIVATION = Statement(select(func.max(_activation.c.id)))
_ACTIVATE = Statement(insert(_activation))
_WITHDRAW = Statement(
    update(_activation)
    .where(_activation.c.id == bindparam("number"), text("withdrawn IS NULL"))
    .values(withdrawn=bindparam("new_withdrawn"), withdrawn_by=bindparam("new_withdrawn_by"))
)
_REPLAY = Statement(
    select(*_replay.c[1:])
    .where(_replay.c.version == bindparam("number"), _replay.c.against == bindparam("old"))
    .order_by(_replay.c.id.desc())
    .limit(1)
)
_REPLAY_HASHES = Statement(
    select(_replay.c.hash, _replay.c.digest)
    .where(_replay.c.version == bindparam("number"), _replay.c.against == bindparam("old"))
    .order_by(_replay.c.id.desc())
    .limit(1)
)
_ADD_REPLAY = Statement(insert(_replay))
_PROOF = Statement(
    select(*_proof.c[1:])
    .where(_proof.c.version == bindparam("number"))
    .order_by(_proof.c.id.desc())
    .limit(1)
)
_ADD_PROOF = Statement(insert(_proof))
_STAMPS = [Statement(select(func.max(table.c.id))) for table in (_activation, _approval, _replay)]


class RuleReads(Reading):
    """What can be asked about versions."""

    def rule_versions(self) -> list[VersionRow]:
        """Return every version without its texts, oldest first."""
        return [_row_of(row) for row in self._all(_VERSIONS)]

    def rule_version(self, number: int) -> VersionRow | None:
        """Return one version without its texts."""
        row = self._one(_VERSION, number=number)
        return None if row is None else _row_of(row)

    def rule_version_by_hash(self, wanted: str) -> VersionRow | None:
        """Return the newest version with this hash of its texts."""
        row = self._one(_BY_HASH, wanted=wanted)
        return None if row is None else _row_of(row)

    def rule_texts(self, number: int) -> RuleTexts | None:
        """Return what a version says."""
        row = self._one(_TEXTS, number=number)
        return None if row is None else RuleTexts(_texts(row[0]), _texts(row[1]))

    def rule_approvals(self, number: int) -> list[ApprovalRow]:
        """Return the approvals of a version, oldest first, also those of what it was before."""
        return [
            ApprovalRow(version, person, instant(at), *rest)
            for version, person, at, *rest in self._all(_APPROVALS, number=number)
        ]

    def rule_activations(self) -> list[ActivationRow]:
        """Return every activation, in the order they were ordered in."""
        return [_activation_of(row) for row in self._all(_ACTIVATIONS)]

    def rule_active(self, now: datetime) -> ActivationRow | None:
        """Return the activation by which rules decide at an instant.

        What was ordered has been: a clock that was set back brings no earlier version back.
        """
        row = self._one(_DUE, now=micros(now))
        return None if row is None else _activation_of(row)

    def rule_stamp(self) -> tuple[int, ...]:
        """Return what changes when something is activated, approved or replayed."""
        return tuple(self._one(statement)[0] or 0 for statement in _STAMPS)

    def rule_replay(self, number: int, against: int) -> ReplayRow | None:
        """Return the newest replay of a version against another one."""
        row = self._one(_REPLAY, number=number, old=against)
        if row is None:
            return None
        version, hashed, old, at, digest, result = row
        return ReplayRow(version, hashed, old, instant(at), digest, bytes(result))

    def rule_replay_hashes(self, number: int, against: int) -> tuple[str, str] | None:
        """Return the hash of the texts and the digest of that replay, without its result."""
        row = self._one(_REPLAY_HASHES, number=number, old=against)
        return None if row is None else (row[0], row[1])

    def rule_proof(self, number: int) -> ProofRow | None:
        """Return what the guarantees of a version came out as when they were last proved."""
        row = self._one(_PROOF, number=number)
        if row is None:
            return None
        version, hashed, program, at, person, result = row
        return ProofRow(version, hashed, program, instant(at), person, bytes(result))


class RuleWrites(RuleReads, Writing):
    """What is written about versions. Who may, and when, is decided in `service.ruleshelf`."""

    def add_rule_version(
        self, author: str, texts: RuleTexts, note: str, based_on: int | None
    ) -> VersionRow:
        """Keep a new draft under the next number."""
        number, at = 1 + (self._one(_NEWEST)[0] or 0), self.now()
        self._insert(
            _ADD, number, micros(at), author, encode((author,)).decode(), note, based_on,
            micros(at), texts.hash, *_encoded(texts), "", None, "", "",
        )  # fmt: skip
        self._touch("rules")
        return VersionRow(
            number, at, author, (author,), note, based_on, at, texts.hash, "", None, "", ""
        )

    def edit_rule_version(
        self, number: int, authors: Sequence[str], texts: RuleTexts, note: str
    ) -> None:
        """Replace the texts of a draft; it counts as not checked."""
        files, parameters = _encoded(texts)
        self._run(
            _EDIT, number=number, new_authors=encode(tuple(authors)).decode(), new_note=note,
            new_changed=micros(self.now()), new_hash=texts.hash, new_files=files,
            new_parameters=parameters, new_identity="", new_checked=None, new_checked_by="",
            new_checked_with="",
        )  # fmt: skip
        self._touch("rules")

    def set_rule_checked(self, number: int, identity: str, who: str, program: str) -> None:
        """Record that a version was found fit for use by this version of the program."""
        self._run(
            _CHECK, number=number, new_identity=identity, new_checked=micros(self.now()),
            new_checked_by=who, new_checked_with=program,
        )  # fmt: skip
        self._touch("rules")

    def add_rule_approval(
        self, number: int, person: str, hashed: str, replay: str, comment: str
    ) -> None:
        """Keep that a person approved what has these hashes."""
        self._insert(
            _APPROVE, new_id(), number, person, micros(self.now()), hashed, replay, comment
        )
        self._touch("rules")

    def add_rule_activation(
        self, number: int, at: datetime, person: str, note: str, kind: ActivationKind
    ) -> ActivationRow:
        """Keep that a version decides from an instant on."""
        row = ActivationRow(
            1 + (self._one(_NEWEST_ACTIVATION)[0] or 0), number, at, self.now(), person, note, kind
        )
        self._insert(
            _ACTIVATE, row.id, number, micros(at), micros(row.ordered), person, note, kind,
            micros_or_none(row.withdrawn), row.withdrawn_by,
        )  # fmt: skip
        self._touch("rules")
        return row

    def withdraw_rule_activation(self, activation: int, person: str) -> None:
        """Take an activation back that is not due yet."""
        at = micros(self.now())
        self._run(_WITHDRAW, number=activation, new_withdrawn=at, new_withdrawn_by=person)
        self._touch("rules")

    def add_rule_replay(self, version: VersionRow, against: VersionRow, result: bytes) -> str:
        """Keep what a replay found; return its digest, which covers both texts and the result."""
        digest = hashlib.sha256(encode((version.hash, against.hash, result))).hexdigest()
        self._insert(
            _ADD_REPLAY, new_id(), version.id, version.hash, against.id, micros(self.now()),
            digest, result,
        )  # fmt: skip
        self._touch("rules")
        return digest

    def add_rule_proof(self, version: VersionRow, program: str, person: str, result: bytes) -> None:
        """Keep what the guarantees of a version came out as."""
        at = micros(self.now())
        self._insert(_ADD_PROOF, new_id(), version.id, version.hash, program, at, person, result)
        self._touch("rules")


def _encoded(texts: RuleTexts) -> tuple[str, str]:
    return encode(dict(texts.files)).decode(), encode(dict(texts.parameters)).decode()


def _row_of(row: Any) -> VersionRow:
    number, created, author, authors, note, based_on, changed, hashed, identity, *rest = row
    checked, checked_by, checked_with = rest
    return VersionRow(
        number, instant(created), author, _words(authors), note, based_on, instant(changed),
        hashed, identity, instant_or_none(checked), checked_by, checked_with,
    )  # fmt: skip


def _activation_of(row: Any) -> ActivationRow:
    number, version, at, ordered, person, note, kind, withdrawn, by = row
    return ActivationRow(
        number, version, instant(at), instant(ordered), person, note, kind,
        instant_or_none(withdrawn), by,
    )  # fmt: skip

"""What the pages of versions show, read from one state of the database."""

from verifier.assurance.guaranteed import against, unproved, with_outcome
from verifier.assurance.replay_report import percent, shown_stretch, side_text
from verifier.assurance.replaying import CHANGES, FATES, MEANINGS, Replay
from verifier.service import ruleshelf
from verifier.service.givingway import giving_way
from verifier.service.replaycover import said_of, short_of
from verifier.service.replaying import from_store
from verifier.service.ruleguarantees import proofs_of
from verifier.service.rulestate import Listed, missing
from verifier.service.ruletexts import compared
from verifier.store.rows import Person
from verifier.store.rulerows import ReplayRow, RuleTexts
from verifier.store.transaction import Reader
from verifier.web import versionwork
from verifier.web.desk import Content, Desk

MOST_CHANGES = 50
FIRST_CHANGES = 10  # the approval below must not be far
_MOST_PAIRS = 100
_between: dict[tuple[str, str], list[str]] = {}


def every(reader: Reader, desk: Desk) -> Content:
    """Return all versions with their states, and the history of activations, newest first."""
    stands = ruleshelf.shelf(reader, desk.clock())
    return {
        "versions": stands.versions,
        "course": stands.course,
        "activations": reader.rule_activations()[::-1],
        "decides": desk.line.judge.version,
        "alarm": desk.line.alarm,
    }


def one(reader: Reader, desk: Desk, number: int, person: Person) -> Content:
    """Return everything about one version."""
    stands = ruleshelf.shelf(reader, desk.clock())
    listed = next(each for each in stands.versions if each.version.id == number)
    base = _compared_with(listed, stands)
    written = ruleshelf.texts(reader, number)
    return work(reader, desk, number) | {
        "listed": listed,
        "course": stands.course,
        "base": base,
        "changes": between(ruleshelf.texts(reader, base), written) if base else [],
        "files": sorted(written.files),
        "parameters": written.parameters,
        "lacking": missing(listed.version, listed.approvals),
        "approved_already": person.name in {row.person for row in listed.approvals},
        "before": reader.rule_approvals(number),
        "editable": not any(row.version == number for row in reader.rule_activations()),
    }


def between(old: RuleTexts, new: RuleTexts) -> list[str]:
    """Return sentences on what differs; what two texts say of each other never changes."""
    known = (old.hash, new.hash)
    if known not in _between:
        if len(_between) > _MOST_PAIRS:
            _between.clear()
        with giving_way():
            _between[known] = compared(old, new) if old != new else []
    return _between[known]


def _compared_with(listed: Listed, stands: ruleshelf.Shelf) -> int | None:
    """Return the version a version is held against: the active one, or what it is based on."""
    active = stands.course.active
    if active and active.version != listed.version.id:
        return active.version
    return listed.version.based_on


def work(reader: Reader, desk: Desk, number: int) -> Content:
    """Return how far scenarios and replay of a version are, and what they showed."""
    version = ruleshelf.known(reader, number)
    tested = desk.chores.get(versionwork.SCENARIOS, number)
    replaying = desk.chores.get(versionwork.REPLAY, number)
    proving = desk.chores.get(versionwork.PROOFS, number)
    row = ruleshelf.replay_of(reader, number, desk.clock())
    works = (tested, proving, replaying)
    return {
        "number": number,
        "version": version,
        "tested": tested,
        "current": bool(tested and tested.result and tested.result.hash == version.hash),
        "replaying": replaying,
        "proving": proving,
        "proofs": proofs_of(reader, version),
        "with_outcome": with_outcome,
        "unproved": unproved,
        "against": against,
        "running": any(each and each.running for each in works),
        "replay": _replay(row),
        "replayed": row,
        "covered": said_of(row.result) if row else "",
        "short": short_of(row, desk.settings.replay_days) if row else "",
        "kinds": CHANGES,
        "meanings": MEANINGS,
        "fates": FATES,
        "percent": percent,
        "side_text": side_text,
        "shown_stretch": shown_stretch,
        "most": MOST_CHANGES,
        "shown": FIRST_CHANGES,
    }


def _replay(row: ReplayRow | None) -> Replay | None:
    return from_store(row.result) if row else None

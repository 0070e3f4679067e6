"""What people do about controls: each act checks the role and is audited in the caller's
transaction."""

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Literal

from verifier.errors import RefusedError
from verifier.service.controlling import Controls
from verifier.service.settling import SETTLES
from verifier.service.watching import begin_again
from verifier.store.qualityrows import Basis, ControlLevel
from verifier.store.rows import Person
from verifier.store.transaction import Reader, Transaction

Work = Callable[[Transaction, Person, datetime], None]
_LOOKED = {"review": "looked into a review", "alarm": "looked into an alarm"}


def may_record(who: Person) -> None:
    """Raise RefusedError unless the person works at the bench."""
    if who.role not in SETTLES:
        raise RefusedError("Controls are the work of a technologist or a pathologist.")


def define_levels(
    tx: Transaction, controls: Controls, who: str, levels: Sequence[ControlLevel], now: datetime
) -> None:
    """Define control levels; from now on their tests are gated by them.

    Raises:
        RefusedError: one of them is in use already.
    """
    tx.claim_house()
    known = {_same(level) for level in tx.control_levels() if level.ended is None}
    for level in levels:
        if _same(level) in known:
            raise RefusedError(
                "%(name)s lot %(lot)s is defined for %(test)s already.",
                name=level.name,
                lot=level.lot,
                test=level.test,
            )
        known.add(_same(level))
        tx.add_control_level(level)
        detail = {
            "level": level.name, "lot": level.lot, "analyzer": level.analyzer, "mark": level.mark,
            "mean": str(level.mean), "sd": str(level.sd), "unit": level.unit,
            "expires": level.expires.isoformat() if level.expires else "", "basis": level.basis,
            "own figures since": level.own_from.isoformat() if level.own_from else "",
        }  # fmt: skip
        tx.audit(who, "defined a control level", f"control:{level.test}", detail)
    for test, analyzer in dict.fromkeys((level.test, level.analyzer) for level in levels):
        _refresh_all(tx, controls, test, analyzer, now)


def end_level(
    tx: Transaction, controls: Controls, who: Person, level_id: int, now: datetime
) -> None:
    """Take a level out of use, as when its lot is used up.

    Raises:
        RefusedError: the role may not, or the level is not in use.
    """
    may_record(who)
    tx.claim_house()
    level = _level(tx, level_id)
    if not tx.end_control_level(level_id, now):
        raise RefusedError("This level is not in use any more.")
    detail = {"level": level.name, "lot": level.lot, "analyzer": level.analyzer}
    tx.audit(who.name, "ended a control level", f"control:{level.test}", detail)
    _refresh_all(tx, controls, level.test, level.analyzer, now)


def choose_basis(
    tx: Transaction, who: Person, level_id: int, basis: Basis, since: datetime | None
) -> None:
    """Choose what a level is judged by from now on: the insert, or own figures since a point.

    Raises:
        RefusedError: the role may not, or own figures have no point to begin at.
    """
    may_record(who)
    tx.claim_house()
    level = _level(tx, level_id)
    if basis == "own" and since is None:
        raise RefusedError("Say since when the laboratory's own figures count.")
    tx.set_control_basis(level_id, basis, since if basis == "own" else None)
    detail = {
        "level": level.name, "lot": level.lot, "basis": basis,
        "since": since.isoformat() if since else "",
    }  # fmt: skip
    tx.audit(who.name, "chose what a control is judged by", f"control:{level.test}", detail)


def leave_out(
    tx: Transaction, controls: Controls, who: Person, number: int, why: str, now: datetime
) -> None:
    """Take one measurement out of rules and figures, with a reason; it stays on record.

    A failure it caused does not end by that, and an accepted one vouches for nothing any more; the
    doubt about one that could not be judged does end.

    Raises:
        RefusedError: the role may not, no reason is given, or there is no such measurement.
    """
    may_record(who)
    if not why.strip():
        raise RefusedError("Say why the value is left out; the record must show it.")
    tx.claim_house()
    result = tx.control_result(number)
    if result is None or not tx.leave_out(number, who.name, why.strip(), now):
        raise RefusedError("This value is left out already. Load the page again.")
    detail = {
        "analyzer": result.analyzer, "specimen": result.specimen, "value": str(result.value),
        "verdict": result.verdict, "because": why.strip(),
    }  # fmt: skip
    tx.audit(who.name, "left a control value out", f"control:{result.test}", detail)
    if result.test:
        controls.refresh(tx, result.test, result.analyzer, now)


def leave_out_all(
    tx: Transaction,
    controls: Controls,
    who: Person,
    numbers: Sequence[int],
    why: str,
    now: datetime,
) -> None:
    """Take measurements out of rules and figures, all for one reason.

    Raises:
        RefusedError: the role may not, none is chosen, or one can not be left out; then none is.
    """
    if not numbers:
        raise RefusedError("Choose at least one line.")
    for number in numbers:
        leave_out(tx, controls, who, number, why, now)


def correct(
    tx: Transaction,
    controls: Controls,
    who: Person,
    test: str,
    analyzer: str,
    said: str,
    now: datetime,
) -> None:
    """Record a corrective action: no rule looks back over it, and every level is measured again.

    Raises:
        RefusedError: the role may not, nothing is said, or the test has no controls there.
    """
    may_record(who)
    if not said.strip():
        raise RefusedError("Say what was found and done; the record must show it.")
    tx.claim_house()
    if tx.standing(test, analyzer) is None:
        raise RefusedError("No control is defined for this test on this analyzer.")
    tx.add_corrective_action(test, analyzer, who.name, said.strip(), now)
    detail = {"analyzer": analyzer, "action": said.strip()}
    tx.audit(who.name, "recorded a corrective action", f"control:{test}", detail)
    controls.refresh(tx, test, analyzer, now)


def look_into(
    tx: Transaction,
    who: Person,
    what: Literal["review", "alarm"],
    numbers: Sequence[int],
    note: str,
    now: datetime,
) -> None:
    """Say what was found of results listed after a failure, or of alarms.

    After an alarm the statistic begins again at its target: a bias that goes on alarms again.

    Raises:
        RefusedError: the role may not, nothing is said, or one is closed already.
    """
    may_record(who)
    if not note.strip() or not numbers:
        raise RefusedError("Choose at least one line and say what you found.")
    for number in numbers:
        subject, detail = _looked_at(tx, what, number, now)
        if not tx.looked_into(what, number, who.name, note.strip(), now):
            raise RefusedError("Somebody has looked into it meanwhile. Load the page again.")
        tx.audit(who.name, _LOOKED[what], subject, {**detail, "found": note.strip()})


def _looked_at(
    tx: Transaction, what: Literal["review", "alarm"], number: int, now: datetime
) -> tuple[str, dict[str, object]]:
    """Return what an entry of the audit log is about: the specimen, or the test that is watched."""
    if what == "review":
        review = tx.review(number)
        if review is None:
            return f"quality-review:{number}", {}
        found = {"test": review.test, "analyzer": review.analyzer, "places": [review.entry]}
        return f"case:{review.case_id}", {"review": number, **found}
    alarm = next((each for each in tx.open_alarms() if each.id == number), None)
    if alarm is None:
        return f"quality-alarm:{number}", {}
    begin_again(tx, alarm.test, alarm.analyzer, now)
    return f"control:{alarm.test}", {"alarm": number, "analyzer": alarm.analyzer}


def doubt_since(
    tx: Transaction,
    controls: Controls,
    who: Person,
    test: str,
    analyzer: str,
    since: datetime,
    now: datetime,
) -> None:
    """After a test was recorded out of control: hold and list its results since an instant.

    Raises:
        RefusedError: the role may not, or the instant lies ahead.
    """
    may_record(who)
    if since > now:
        raise RefusedError("Results can not be in doubt since a time that lies ahead.")
    controls.doubt(tx, test, analyzer, who.name, since, now)


def take_back_state(tx: Transaction, who: Person, test: str, analyzer: str = "") -> None:
    """Let the controls speak for a test again, on one analyzer or on every one.

    Raises:
        RefusedError: the role may not.
    """
    may_record(who)
    if tx.take_back_control_state(test, analyzer):
        detail = {"analyzer": analyzer}
        tx.audit(who.name, "took a recorded control state back", f"control:{test}", detail)


def _same(level: ControlLevel) -> tuple[str, ...]:
    return (level.test, level.analyzer, level.material, level.lot, level.level)


def _level(reader: Reader, level_id: int) -> ControlLevel:
    for level in reader.control_levels():
        if level.id == level_id:
            return level
    raise RefusedError("There is no such control level.")


def _refresh_all(
    tx: Transaction, controls: Controls, test: str, analyzer: str, now: datetime
) -> None:
    """Judge every analyzer a level is for; a level for all counts where none was measured too."""
    known = {row.analyzer for row in tx.standings() if row.test == test}
    for place in sorted({analyzer} if analyzer else known | {""}):
        controls.refresh(tx, test, place, now)

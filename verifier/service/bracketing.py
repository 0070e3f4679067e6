"""What a failed control puts in doubt: patients' results held where they are still here, listed
where they have left, and told again once the failure is over."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from msgspec import Struct

from verifier.facts.build import analyzer_of
from verifier.facts.case import CaseRecord, Entry
from verifier.quality.standing import Failure, Standing
from verifier.service.judging import Judge, bracketed
from verifier.store.ids import new_id
from verifier.store.qualityrows import Review, StandingRow
from verifier.store.transaction import Reader, Transaction

NEVER_GOOD = timedelta(days=7)  # how far back is reviewed when no control was ever good
_LISTED = 100  # specimens named in the audit entry of a failure


class Doubt(Struct, frozen=True):
    """Results of a test in doubt: from `since` until `until`, None while it goes on.

    `failed` is when the control failed. The empty analyzer stands for every one.
    """

    test: str
    analyzer: str
    because: str
    since: datetime
    failed: datetime
    good: datetime | None = None
    until: datetime | None = None


def doubts(
    reader: Reader, test: str, analyzer: str, stands: Standing, before: StandingRow | None
) -> list[Doubt]:
    """Return what newly found rejections put in doubt, the oldest failure first.

    Each failure is followed by itself, also one that was over before anybody knew of it, as when a
    file brings both its beginning and its end.
    """
    found = []
    for failure in stands.failures:
        since = _since(reader, test, analyzer, failure, before) if failure.new else None
        if since is not None:
            found.append(
                Doubt(
                    test, analyzer, f"a control failed ({failure.why})", since, failure.since,
                    failure.good, failure.ended,
                )
            )  # fmt: skip
    return found


def _since(
    reader: Reader, test: str, analyzer: str, failure: Failure, before: StandingRow | None
) -> datetime | None:
    """Return since when a failure puts results in doubt, None when that is known already.

    That is the last good control; for a failure after a person vouched for the test, their word.
    """
    if before is None or before.state != "out of control" or before.since != failure.since:
        return failure.good or failure.since - NEVER_GOOD
    if failure.latest == before.latest:
        return None
    vouched = (
        each.at
        for each in reader.controls()
        if each.test == test and each.analyzer in ("", analyzer)
    )
    return next((at for at in vouched if before.latest and at > before.latest), None)


def follow(tx: Transaction, judge: Judge, doubt: Doubt, now: datetime) -> None:
    """Hold what is open and list what has left of the results in doubt."""
    tx.claim_house()
    held: dict[int, list[int]] = {}
    listed: list[Review] = []
    known = {(each.case_id, each.entry) for each in tx.open_reviews()}
    for case_id, place in tx.judged_since(doubt.test, doubt.since):
        if (case_id, place) in known:
            continue
        stored = tx.case(case_id)
        if stored is None or not _concerns(stored.record, place, doubt):
            continue
        entry = stored.record.entries[place]
        state = "held" if entry.state == "open" else "released"
        listed.append(
            Review(
                new_id(), doubt.test, analyzer_of(entry), doubt.failed, case_id, place,
                stored.record.specimen.key, state, now,
            )
        )  # fmt: skip
        if state == "held":
            held.setdefault(case_id, []).append(place)
    for review in listed:
        tx.add_review(review)
        _tell_case(tx, doubt, review)
    for case_id, places in held.items():
        _hold(tx, judge, case_id, places, now)
    _audit_failure(tx, doubt, listed)


def _hold(
    tx: Transaction, judge: Judge, case_id: int, places: Sequence[int], now: datetime
) -> None:
    """Judge a case again with the results marked: good controls later let none of them leave."""
    if stored := tx.claim_case(case_id):
        judge.judge(tx, stored, bracketed(stored.record, places), now)


def judge_open_again(
    tx: Transaction, judge: Judge, test: str, analyzer: str, since: datetime, now: datetime
) -> None:
    """Judge what is still open again, so that it says how the controls stand now."""
    for case_id in tx.open_since(test, analyzer, since):
        judge.judge_again(tx, case_id, now)


def _concerns(record: CaseRecord, place: int, doubt: Doubt) -> bool:
    entry = record.entries[place]
    live = entry.state in ("open", "released")
    here = doubt.analyzer in ("", analyzer_of(entry))
    return live and here and entry.arrived >= doubt.since and _before(entry, doubt.until)


def _before(entry: Entry, until: datetime | None) -> bool:
    """Whether a result may have been measured before a failure was over."""
    measured = entry.observation.analysed
    first = min(entry.arrived, measured.at) if measured else entry.arrived
    return until is None or first <= until


def _tell_case(tx: Transaction, doubt: Doubt, review: Review) -> None:
    detail = {
        "test": review.test,
        "analyzer": review.analyzer,
        "places": [review.entry],
        "because": doubt.because,
        "was": review.state,
    }
    tx.audit("verifier", "a control failed after it", f"case:{review.case_id}", detail)


def _audit_failure(tx: Transaction, doubt: Doubt, listed: Sequence[Review]) -> None:
    gone = [review.specimen for review in listed if review.state == "released"]
    still = [review.specimen for review in listed if review.state == "held"]
    detail = {
        "analyzer": doubt.analyzer,
        "because": doubt.because,
        "since": doubt.since.isoformat(),
        "until": doubt.until.isoformat() if doubt.until else "",
        "last good control": doubt.good.isoformat() if doubt.good else "not known",
        "released": len(gone),
        "held": len(still),
        "specimens released": gone[:_LISTED],
        "specimens held": still[:_LISTED],
    }
    tx.audit("verifier", "a control failed", f"control:{doubt.test}", detail)

"""Shadow runs: which candidate judges beside, how far it has come, where it says otherwise."""

from array import array
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import msgspec
from msgspec import Struct
from sqlalchemy import bindparam, func, insert, select, text, update

from verifier.facts.verdicts import Decision
from verifier.store import codec, schema, shadowschema
from verifier.store.base import Reading, Writing
from verifier.store.codec import encode, instant, instant_or_none, micros
from verifier.store.past import PastDecision
from verifier.store.rulerows import RuleTexts
from verifier.store.sql import Statement

_shadow, _difference = shadowschema.shadow, shadowschema.shadow_difference
_decision = schema.decision
_texts = msgspec.json.Decoder(dict[str, str]).decode


class Shadow(Struct, frozen=True):
    """A shadow run without its texts. `id` is the number people know it by: 1, 2, 3 …

    Decisions with ids above `first` and up to `last` were judged beside: `judged` of them, of
    which `differing` come out otherwise and `failed` could not be judged. `trouble` says why it
    does not get on, empty when it does.
    """

    id: int
    name: str
    version: int | None
    identity: str
    started: datetime
    started_by: str
    first: int
    last: int
    judged: int
    differing: int
    failed: int
    trouble: str
    ended: datetime | None
    ended_by: str


class Beside(Struct, frozen=True):
    """What the candidate said of one decision where it is not the same; None where it failed."""

    case_id: int
    decision_id: int
    decision: Decision | None
    failure: str = ""


class Judged(Struct, frozen=True):
    """What a shadow run got through: decisions above `after` up to `last`, and what differs."""

    after: int
    last: int
    judged: int
    beside: tuple[Beside, ...]


_columns = [column for column in _shadow.c if column.name not in ("files", "parameters")]
_this = _shadow.c.id == bindparam("number")
_ALL = Statement(select(*_columns).order_by(_shadow.c.id))
_RUNNING = Statement(
    select(*_columns).where(text("ended IS NULL")).order_by(_shadow.c.id.desc()).limit(1)
)
_ONE = Statement(select(*_columns).where(_this))
_TEXTS = Statement(select(_shadow.c.files, _shadow.c.parameters).where(_this))
_NEWEST = Statement(select(func.max(_shadow.c.id)))
_NEWEST_DECISION = Statement(select(func.max(_decision.c.id)))
_ADD = Statement(insert(_shadow))
_END = Statement(
    update(_shadow)
    .where(_this, text("ended IS NULL"))
    .values(ended=bindparam("new_ended"), ended_by=bindparam("new_ended_by"))
)
_ADVANCE = Statement(
    update(_shadow)
    .where(_this, _shadow.c.last == bindparam("after"), text("ended IS NULL"))
    .values(
        last=bindparam("new_last"),
        judged=_shadow.c.judged + bindparam("more_judged"),
        differing=_shadow.c.differing + bindparam("more_differing"),
        failed=_shadow.c.failed + bindparam("more_failed"),
        trouble=text("''"),
    )
)
_TROUBLE = Statement(update(_shadow).where(_this).values(trouble=bindparam("new_trouble")))
_KEEP = Statement(insert(_difference))
_between = (_decision.c.id > bindparam("after"), _decision.c.id <= bindparam("upto"))
_NEW = Statement(
    select(
        _decision.c.case_id, _decision.c.id, _decision.c.rule_set, _decision.c.body,
        _decision.c.facts,
    )
    .where(*_between)
    .order_by(_decision.c.id)
    .limit(bindparam("most"))
)  # fmt: skip
_CASES = Statement(
    select(_decision.c.case_id, func.count())
    .where(*_between)
    .group_by(_decision.c.case_id)
    .order_by(_decision.c.case_id)
)
_BESIDE = Statement(
    select(_difference.c.decision, _difference.c.body, _difference.c.failure).where(
        _difference.c.shadow == bindparam("number"), _difference.c.case_id == bindparam("case")
    )
)


class ShadowReads(Reading):
    """What can be asked about shadow runs."""

    def shadows(self) -> list[Shadow]:
        """Return every shadow run, oldest first."""
        return [_row_of(row) for row in self._all(_ALL)]

    def shadow(self, number: int) -> Shadow | None:
        """Return one shadow run."""
        row = self._one(_ONE, number=number)
        return None if row is None else _row_of(row)

    def running_shadow(self) -> Shadow | None:
        """Return the shadow run that has not ended."""
        row = self._one(_RUNNING)
        return None if row is None else _row_of(row)

    def shadow_texts(self, number: int) -> RuleTexts | None:
        """Return the candidate of a shadow run."""
        row = self._one(_TEXTS, number=number)
        return None if row is None else RuleTexts(_texts(row[0]), _texts(row[1]))

    def newest_decision(self) -> int:
        """Return the largest id of a decision, 0 when there is none."""
        return int((self._one(_NEWEST_DECISION) or (None,))[0] or 0)

    def decisions_after(self, after: int, upto: int, most: int) -> list[PastDecision]:
        """Return the next decisions by id, at most `most`."""
        rows = self._all(_NEW, after=after, upto=upto, most=most)
        return [PastDecision(*row) for row in rows]

    def shadowed_cases(self, shadow: Shadow) -> tuple["array[int]", int]:
        """Return the ids of the cases a shadow run judged, ascending, and how many decisions."""
        cases, decisions = array("q"), 0
        self._run(_CASES, after=shadow.first, upto=shadow.last)
        for case_id, count in iter(self._cursor.fetchone, None):
            cases.append(case_id)
            decisions += count
        return cases, decisions

    def beside(self, number: int, case_id: int) -> dict[int, Beside]:
        """Return by decision what a shadow run said otherwise of a case."""
        return {
            decision: Beside(
                case_id, decision, codec.read_decision(body) if body else None, failure
            )
            for decision, body, failure in self._all(_BESIDE, number=number, case=case_id)
        }


class ShadowWrites(ShadowReads, Writing):
    """What is written about shadow runs."""

    def start_shadow(
        self, name: str, version: int | None, texts: RuleTexts, identity: str, who: str
    ) -> int:
        """Keep that a candidate judges every decision from now on; return its number."""
        number = ((self._one(_NEWEST) or (None,))[0] or 0) + 1
        newest = self.newest_decision()
        self._insert(
            _ADD, number, name, version, _plain(texts.files), _plain(texts.parameters), identity,
            micros(self.now()), who, newest, newest, 0, 0, 0, "", None, "",
        )  # fmt: skip
        return number

    def end_shadow(self, number: int, who: str) -> bool:
        """End a shadow run; False when it had ended."""
        done = self._run(_END, number=number, new_ended=micros(self.now()), new_ended_by=who)
        return done == 1

    def keep_beside(self, number: int, done: Judged) -> bool:
        """Keep what a shadow run got through; False, and nothing kept, when another has already."""
        failed = sum(item.decision is None for item in done.beside)
        moved = self._run(
            _ADVANCE, number=number, after=done.after, new_last=done.last,
            more_judged=done.judged, more_differing=len(done.beside) - failed, more_failed=failed,
        )  # fmt: skip
        if moved and done.beside:
            self._insert_many(_KEEP, _rows(number, done.beside))
        return moved == 1

    def shadow_trouble(self, number: int, trouble: str) -> None:
        """Keep why a shadow run does not get on."""
        self._run(_TROUBLE, number=number, new_trouble=trouble)


def _rows(number: int, beside: Sequence[Beside]) -> list[tuple[object, ...]]:
    return [
        (
            number, item.case_id, item.decision_id,
            None if item.decision is None else codec.pack(item.decision), item.failure,
        )
        for item in beside
    ]  # fmt: skip


def _plain(words: Mapping[str, str]) -> str:
    return encode(dict(words)).decode()


def _row_of(row: Any) -> Shadow:
    fields = dict(zip(Shadow.__struct_fields__, row, strict=True))
    fields["started"], fields["ended"] = instant(row[4]), instant_or_none(row[-2])
    return Shadow(**fields)

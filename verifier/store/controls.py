"""What stops automatic release: suspensions, and the control state of tests."""

from datetime import datetime

from sqlalchemy import bindparam, delete, insert, select, text, update

from verifier.facts.case import Control
from verifier.store import schema
from verifier.store.base import Reading, Writing
from verifier.store.codec import instant, micros
from verifier.store.ids import new_id
from verifier.store.rows import ControlRow, Scope, SuspensionRow
from verifier.store.sql import Statement

_suspension, _control = schema.suspension, schema.control_state

_OPEN = Statement(
    select(
        _suspension.c.id, _suspension.c.scope, _suspension.c.subject, _suspension.c.text,
        _suspension.c.who, _suspension.c.since,
    )
    .where(text("ended IS NULL"))
    .order_by(_suspension.c.id)
)  # fmt: skip
_SUSPEND = Statement(insert(_suspension))
_RESUME = Statement(
    update(_suspension)
    .where(_suspension.c.id == bindparam("suspension"), text("ended IS NULL"))
    .values(ended=bindparam("new_ended"), ended_by=bindparam("new_ended_by"))
)
_CONTROLS = Statement(select(_control).order_by(_control.c.test, _control.c.analyzer))
_there = (_control.c.test == bindparam("which"), _control.c.analyzer == bindparam("where"))
_SET = Statement(
    update(_control)
    .where(*_there)
    .values(
        state=bindparam("new_state"),
        who=bindparam("new_who"),
        at=bindparam("new_at"),
        note=bindparam("new_note"),
    )
)
_ADD = Statement(insert(_control))
_TAKE_BACK = Statement(delete(_control).where(*_there))
_TAKE_ALL_BACK = Statement(delete(_control).where(_control.c.test == bindparam("which")))


class ControlReads(Reading):
    """What can be asked about suspensions and control states."""

    def suspensions(self) -> tuple[SuspensionRow, ...]:
        """Return the suspensions that stand, oldest first."""
        return tuple(
            SuspensionRow(number, scope, subject, text, who, instant(since))
            for number, scope, subject, text, who, since in self._all(_OPEN)
        )

    def control_states(self) -> dict[str, Control]:
        """Return the control state of every test that has one recorded for every analyzer."""
        return {row.test: row.state for row in self.controls() if not row.analyzer}

    def controls(self) -> list[ControlRow]:
        """Return the recorded control states with who recorded them, by test name."""
        return [
            ControlRow(test, state, who, instant(at), note, analyzer)
            for test, analyzer, state, who, at, note in self._all(_CONTROLS)
        ]


class ControlWrites(ControlReads, Writing):
    """What people change about suspensions and control states."""

    def suspend(
        self, scope: Scope, subject: str, text: str, who: str, since: datetime | None = None
    ) -> int:
        """Stop automatic release; return the id of the suspension."""
        self.claim_house()
        number = new_id()
        began = micros(since or self.now())
        self._insert(_SUSPEND, number, scope, subject, text, who, began, None, "")
        self._touch("suspension")
        return number

    def resume(self, suspension_id: int, who: str) -> bool:
        """End a suspension; False when it does not stand."""
        self.claim_house()
        self._touch("suspension")
        ended = micros(self.now())
        done = self._run(_RESUME, suspension=suspension_id, new_ended=ended, new_ended_by=who)
        return done == 1

    def set_control_state(
        self, test: str, state: Control, who: str, note: str = "", analyzer: str = ""
    ) -> None:
        """Record the control state of a test on an analyzer, or on every one.

        A state for every analyzer replaces those recorded for single ones.
        """
        self.claim_house()
        at = micros(self.now())
        if not analyzer:
            self.take_back_control_state(test)
        changed = self._run(
            _SET, which=test, where=analyzer,
            new_state=state, new_who=who, new_at=at, new_note=note,
        )  # fmt: skip
        if not changed:
            self._insert(_ADD, test, analyzer, state, who, at, note)
        self._touch("quality")

    def take_back_control_state(self, test: str, analyzer: str = "") -> bool:
        """Let controls speak for a test again; False when nobody had recorded a state.

        Without an analyzer every state recorded for the test is taken back.
        """
        self.claim_house()
        self._touch("quality")
        if not analyzer:
            return self._run(_TAKE_ALL_BACK, which=test) > 0
        return self._run(_TAKE_BACK, which=test, where=analyzer) == 1

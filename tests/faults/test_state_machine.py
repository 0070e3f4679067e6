"""Anything in any order: sends, resends, corrections, a LIS of changing manners, kills and restarts
of a real service. Hypothesis picks and shrinks; the model judges at the end of each run.

No rule has a precondition: when a service that was told to die is gone depends on the moment, and
Hypothesis must find the same rules open each time.
"""

import shutil
import signal
import tempfile
from pathlib import Path

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    initialize,
    invariant,
    rule,
    run_state_machine_as_test,
)
from service.laboratory import END, START, Lis, Sender, ack_for

from faults.house import House, balance, wait_for_death
from faults.model import Books, Sent
from faults.steps import STEPS

FEW, SHORT = 3, 12  # examples of the normal run and their steps
SPECIMENS = st.sampled_from(["S1", "S2", "S3"])
RESULTS = st.sampled_from(
    [
        ("sodium", "140", "F"), ("sodium", "170", "F"), ("sodium", "141", "C"),
        ("sodium", "141", "W"), ("potassium", "4.1", "F"), ("potassium", "6.9", "F"),
        ("potassium", "4.2", "C"), ("potassium", "4.1", "W"),
    ]
)  # fmt: skip
MANNERS = st.sampled_from(["AA", "AA", "AE", "AR", "CA", "silent", "other", "rubbish", "late"])
PLACES = st.sampled_from([name for name, step in STEPS.items() if step.by in ("traffic", "start")])


class Faults(RuleBasedStateMachine):
    """One laboratory with its LIS; each step waits until it is over."""

    messages = Bundle("messages")

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="verifier-faults-"))
        self.manner = "AA"
        self.lis = Lis(self._answer)
        self.lis.__enter__()
        self.books = Books()
        retry = {"retry_most_seconds = 1": "retry_most_seconds = 0.1"}
        self.house = House(self.folder, self.lis.port, settings=retry, answer_seconds=0.3)
        self.up = False

    def _answer(self, n: int, message: bytes) -> bytes | None:
        if self.manner == "silent":
            return None
        if self.manner == "rubbish":
            return b"\xff\x00MSA|"
        if self.manner == "other":
            return ack_for(message, control_id="OTHER")
        if self.manner == "late":
            self.manner = "AA"
            return None
        return ack_for(message, self.manner)

    @initialize()
    def begin(self) -> None:
        self.restart()

    @rule()
    def restart(self) -> None:
        self.kill()
        self.house.start()
        self.up = True

    @rule(place=PLACES, nth=st.integers(1, 3))
    def restart_to_die(self, place: str, nth: int) -> None:
        """It dies at a step, if it comes there, perhaps before it is ready."""
        self.kill()
        self.up = self.house.start(place, nth)
        if not self.up:
            self.house.forget()

    @rule()
    def kill(self) -> None:
        if self.up:
            self.house.kill()
            self.up = False

    @rule()
    def stop(self) -> None:
        """A stop in order; if a step to die at lies on its way, that is no order."""
        if not self.up:
            return
        self.house.signal(signal.SIGTERM)
        self.house.child.join(60)
        assert self.house.child.exitcode in (0, -signal.SIGKILL)
        self.house.forget()
        self.up = False

    @rule(manner=MANNERS)
    def let_the_lis(self, manner: str) -> None:
        self.manner = manner

    @rule(target=messages, specimen=SPECIMENS, result=RESULTS, second=st.booleans())
    def send(self, specimen: str, result: tuple[str, str, str], second: bool) -> Sent:
        sent = self.books.write(f"M{len(self.books.sent)}", specimen, *result)
        self._exchange(sent, second)
        return sent

    @rule(sent=messages, second=st.booleans())
    def resend(self, sent: Sent, second: bool) -> None:
        self._exchange(sent, second)

    @rule(sent=messages)
    def send_twice_at_once(self, sent: Sent) -> None:
        """On both connections, before either has answered."""
        try:
            with Sender(self.house.chem) as one, Sender(self.house.second) as other:
                for sender in (one, other):
                    sender.write(START + sent.raw + END)
                sent.answers += [one.answer(), other.answer()]
        except OSError:
            self._look()

    @rule(sent=messages, part=st.floats(0, 1))
    def break_off(self, sent: Sent, part: float) -> None:
        """Send a part of it, perhaps all, and go without waiting for an answer."""
        data = START + sent.raw + END
        try:
            with Sender(self.house.chem) as sender:
                sender.write(data[: int(len(data) * part) + 1])
        except OSError:
            self._look()

    def _exchange(self, sent: Sent, second: bool) -> None:
        try:
            with Sender(self.house.second if second else self.house.chem) as sender:
                sent.answers.append(sender.send(sent.raw))
        except OSError:
            self._look()

    def _look(self) -> None:
        """A connection failed: that must be because the service is gone."""
        if self.up:
            assert wait_for_death(self.house, 20), "alive, and yet it did not answer"
            self.house.forget()
            self.up = False

    @invariant()
    def answers_are_always_the_same(self) -> None:
        for sent in self.books.sent.values():
            assert len(set(sent.answers)) <= 1

    def teardown(self) -> None:
        try:
            self._end()
        finally:
            if self.house.child is not None:
                self.house.kill()
            self.lis.__exit__()
            shutil.rmtree(self.folder)

    def _end(self) -> None:
        self.manner = "AA"
        self.kill()  # with it goes a death that has not come yet
        self.house.start()
        balance(self.house, self.books, self.lis)


def test_anything_in_any_order(campaign: int) -> None:
    run_state_machine_as_test(
        Faults,
        settings=settings(
            max_examples=campaign or FEW,
            stateful_step_count=30 if campaign else SHORT,
            deadline=None,
            derandomize=not campaign,
            print_blob=False,
            suppress_health_check=list(HealthCheck),
        ),
    )

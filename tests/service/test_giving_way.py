"""Work beside the line changes how often threads run, and leaves it as it found it."""

import sys
import threading

import pytest

from verifier.service.givingway import giving_way


def test_the_usual_interval_is_back_when_the_last_has_ended() -> None:
    usual = sys.getswitchinterval()
    entered, leave = threading.Event(), threading.Event()

    def other() -> None:
        with giving_way():
            entered.set()
            leave.wait(10)

    thread = threading.Thread(target=other)
    with giving_way():
        assert sys.getswitchinterval() < usual / 2
        thread.start()
        entered.wait(10)
    assert sys.getswitchinterval() < usual / 2, "the other is still at work"
    leave.set()
    thread.join(10)
    assert sys.getswitchinterval() == pytest.approx(usual)


def test_a_failure_leaves_the_usual_interval() -> None:
    usual = sys.getswitchinterval()
    with pytest.raises(ValueError, match="broken"), giving_way():
        raise ValueError("broken")
    assert sys.getswitchinterval() == pytest.approx(usual)

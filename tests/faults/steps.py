"""The named steps of the line at which the service can be made to die, by SIGKILL and for real.

Nothing in the product knows of them: the process that is going to serve replaces one function of
the loaded program by itself with a SIGKILL before or after it, and then serves.
"""

import functools
import importlib
import inspect
import os
import signal
from collections.abc import Callable
from typing import Any, Literal, NamedTuple

from databases import ON_POSTGRES


class Step(NamedTuple):
    """Before or after which function; `place` is module:owner.function."""

    when: Literal["before", "after"]
    place: str
    by: Literal["traffic", "first start", "start", "stop"] = "traffic"  # what leads there


FIRST: Literal["first start"] = "first start"
TX = "verifier.store.transaction:Transaction"
SESSION = (
    "verifier.store.shared:PostgresSession"
    if ON_POSTGRES
    else "verifier.store.sessions:SqliteSession"
)
STEPS = {
    "the database is being made": Step("before", "sqlalchemy.engine:Connection.commit", FIRST),
    "the database is made": Step("after", "verifier.store.migrate:_run", FIRST),
    "the key is written, not published": Step(
        "before", "verifier.store.checkpoint:Notary._publish", FIRST
    ),
    "the key is published": Step("after", "verifier.store.checkpoint:Notary._publish", FIRST),
    "a message was read": Step("before", "verifier.service.line:Line.take"),
    "the message is written": Step("after", "verifier.service.reception:Reception.keep"),
    "its results are judged": Step("after", "verifier.service.judging:decide"),
    "the case is written": Step("after", f"{TX}.save_case"),
    "the outgoing message is written": Step("after", f"{TX}.add_outbox"),
    "the decision is written": Step("after", f"{TX}.add_decision"),
    "the head of the audit log is written": Step("after", f"{TX}.finish"),
    "before the commit": Step("before", f"{SESSION}.commit"),
    "committed, nobody knows": Step("after", f"{SESSION}.commit"),
    "a resend is answered": Step("after", "verifier.service.reception:Reception.answer_again"),
    "before the acknowledgement": Step("before", "verifier.service.listener:wrap"),
    "acknowledged": Step("after", "verifier.service.listener:Listener._take_all"),
    "before sending": Step("before", "verifier.service.client:wrap"),
    "sent, not answered": Step("before", "verifier.service.client:MllpClient._answer"),
    "answered, not recorded": Step("after", "verifier.service.client:MllpClient.send"),
    "the answer is written": Step("after", f"{TX}.mark_sent"),
    "delivered": Step("after", "verifier.service.forwarder:Forwarder._deliver"),
    "a retry is written": Step("after", f"{TX}.postpone"),
    "a refusal is written": Step("after", f"{TX}.mark_rejected"),
    "a checkpoint is to be signed": Step(
        "before", "verifier.store.checkpoint:Notary.append", "start"
    ),
    "a checkpoint is signed, not noted": Step(
        "after", "verifier.store.checkpoint:Notary.append", "start"
    ),
    "the rules are chosen": Step("after", "verifier.service.supervisor:start_rules", "start"),
    "the log is copied into the file": Step(
        "before", "verifier.store.sqlite:Connection.close", "stop"
    ),
}


def die_at(name: str, nth: int) -> None:
    """Let this process die at a step when it is taken the nth time."""
    step = STEPS[name]
    module, _, path = step.place.partition(":")
    *owners, attribute = path.split(".")
    owner: Any = importlib.import_module(module)
    for each in owners:
        owner = getattr(owner, each)
    setattr(owner, attribute, _dying(getattr(owner, attribute), step.when, nth))


def _dying(function: Callable[..., Any], when: str, nth: int) -> Callable[..., Any]:
    left = nth

    def pass_by(moment: str) -> None:
        nonlocal left
        if moment == when:
            left -= 1
            if left == 0:
                os.kill(os.getpid(), signal.SIGKILL)

    @functools.wraps(function)
    def plain(*words: Any, **named: Any) -> Any:
        pass_by("before")
        value = function(*words, **named)
        pass_by("after")
        return value

    @functools.wraps(function)
    async def waiting(*words: Any, **named: Any) -> Any:
        pass_by("before")
        value = await function(*words, **named)
        pass_by("after")
        return value

    return waiting if inspect.iscoroutinefunction(function) else plain

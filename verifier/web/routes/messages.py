"""Messages as received and as sent, and those a person has to look at."""

from fastapi import APIRouter, Depends
from fastapi.responses import Response

from verifier.errors import RefusedError
from verifier.store.rows import Inbound
from verifier.store.transaction import Reader, Transaction
from verifier.web.desk import Content, Desk, TheDesk
from verifier.web.guard import May, Visitor, meant, see
from verifier.web.segments import Said, said_by

router = APIRouter()


@router.get("/messages", dependencies=[Depends(May("look"))])
def messages(desk: TheDesk, session: Visitor) -> Response:
    """List messages that could not be read, were refused, or were taken with a note."""

    def gather(reader: Reader) -> Content:
        return {"problems": reader.problems(), "last": reader.last_messages()}

    return desk.show("messages.html", session, gather)


@router.get("/messages/{message_id}", dependencies=[Depends(May("look"))])
def message(message_id: int, desk: TheDesk, session: Visitor, case: int = 0) -> Response:
    """Show a message as it came, with what was answered; looking at it is put on record.

    The segments that speak of the specimen of `case` are marked.
    """
    what = ("looked at", f"message:{message_id}")
    desk.store.write(lambda tx: tx.audit(session.person.name, *what))

    def gather(reader: Reader) -> Content:
        inbound = reader.message(message_id)
        stored = reader.case(case) if case else None
        specimen = stored.record.specimen.key if stored else ""
        return {
            "message": inbound,
            "said": _said(desk, inbound, specimen) if inbound else None,
            "specimen": specimen,
            "case": case,
            "trail": reader.audit_of(what[1]),
        }

    return desk.show("message.html", session, gather)


def _said(desk: Desk, inbound: Inbound, specimen: str) -> Said:
    return said_by(inbound, desk.line.judge.maps.get(inbound.connection), specimen)


@router.post(
    "/messages/{message_id}/settle", dependencies=[Depends(May("settle problems")), Depends(meant)]
)
def settle(message_id: int, desk: TheDesk, session: Visitor) -> Response:
    """Take a message off the list: a person dealt with it."""

    def work(tx: Transaction) -> None:
        if not tx.settle_problem(message_id):
            raise RefusedError("Somebody has dealt with this message already.")
        tx.audit(session.person.name, "dealt with a message", f"message:{message_id}")

    desk.store.write(work)
    return see("/messages")


@router.get("/outgoing", dependencies=[Depends(May("look"))])
def outgoing(desk: TheDesk, session: Visitor) -> Response:
    """List what destinations refused, and what still waits for each."""

    def gather(reader: Reader) -> Content:
        counts = reader.outbox_counts()
        return {
            "rejected": reader.rejected_outgoing(),
            "waiting": {name: reader.outbox(name, most=20) for name in counts},
            "counts": counts,
            "destinations": desk.settings.destinations,
        }

    return desk.show("outgoing.html", session, gather)


@router.get("/outgoing/{outgoing_id}", dependencies=[Depends(May("look"))])
def sent(outgoing_id: int, desk: TheDesk, session: Visitor) -> Response:
    """Show an outgoing message; looking at it is put on record."""
    what = ("looked at", f"outgoing:{outgoing_id}")
    desk.store.write(lambda tx: tx.audit(session.person.name, *what))
    return desk.show("sent.html", session, lambda r: {"row": r.outgoing(outgoing_id)})


@router.post(
    "/outgoing/{outgoing_id}/{act}",
    dependencies=[Depends(May("settle problems")), Depends(meant)],
)
def settle_outgoing(outgoing_id: int, act: str, desk: TheDesk, session: Visitor) -> Response:
    """Send a refused message again, or take it off the list."""

    def work(tx: Transaction) -> None:
        done = tx.retry(outgoing_id) if act == "retry" else tx.abandon(outgoing_id)
        if not done:
            raise RefusedError("Somebody has dealt with this message already.")
        said = "sends again" if act == "retry" else "gave up sending"
        tx.audit(session.person.name, said, f"outgoing:{outgoing_id}")

    if act not in ("retry", "abandon"):
        raise RefusedError("A refused message is sent again or taken off the list.")
    desk.store.write(work)
    return see("/outgoing")

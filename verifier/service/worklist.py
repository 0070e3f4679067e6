"""Taking specimens of the work list: claims, handing over, and who looks at what.

A claim tells the others that somebody is at it. It forbids nothing: whoever acts on a specimen
that another has taken is told so and says that they mean it (`although` names whose claim it is).
"""

from collections.abc import Callable
from datetime import datetime, timedelta

from verifier.errors import RefusedError
from verifier.facts.priorities import ROUTINE
from verifier.service.settling import SETTLES
from verifier.settings import Settings
from verifier.store.rows import Person
from verifier.store.transaction import Reader, Transaction
from verifier.store.worklistrows import CaseClaim, Targets, View

SEEN_SECONDS = 30.0  # an open page is heard of more often than that


def view(settings: Settings, person: str, now: datetime) -> View:
    """Return how the work list looks to a person at an instant."""
    minutes: dict[str, timedelta] = {
        word: timedelta(minutes=given) for word, given in settings.worklist.targets.items()
    }
    return View(
        person,
        now,
        Targets(minutes[ROUTINE], minutes),
        now - timedelta(minutes=settings.worklist.claim_minutes),
        now - timedelta(seconds=SEEN_SECONDS),
    )


def claim(tx: Transaction, seen: View, who: Person, case_id: int, although: str = "") -> None:
    """Take a specimen.

    Raises:
        RefusedError: the role may not, nothing of it is held, or another has it.
    """
    _may_take(who)
    _held(tx, case_id)
    standing = heed(tx, seen, who.name, case_id, although)
    if standing is None or standing.person != who.name:
        tx.set_claim(case_id, who.name, seen)
        detail = {"from": standing.person} if standing else {}
        tx.audit(who.name, "claimed", f"case:{case_id}", detail)


def give_back(tx: Transaction, seen: View, who: Person, case_id: int) -> None:
    """End one's own claim. Raises RefusedError when there is none."""
    _own(tx, seen, who, case_id)
    tx.end_claim(case_id)
    tx.audit(who.name, "gave back", f"case:{case_id}")


def hand_over(tx: Transaction, seen: View, who: Person, case_id: int, to: str) -> None:
    """Give one's own claim to another person.

    Raises:
        RefusedError: it is not one's own, or the other may not settle results.
    """
    _own(tx, seen, who, case_id)
    _held(tx, case_id)
    if to not in takers(tx):
        raise RefusedError("Choose a technologist or a pathologist to hand it over to.")
    tx.set_claim(case_id, to, seen)
    tx.audit(who.name, "handed over", f"case:{case_id}", {"to": to})


def heed(
    reader: Reader, seen: View, name: str, case_id: int, although: str = ""
) -> CaseClaim | None:
    """Return the claim on a case.

    Raises:
        RefusedError: another has it and `although` does not name them.
    """
    standing = reader.claim_of(case_id, seen.claims_since)
    if standing and standing.person not in (name, although):
        raise RefusedError(
            "%(person)s has claimed this specimen. To act all the same, confirm that you "
            "know and do it again.",
            person=standing.person,
        )
    return standing


def heeding(
    tx: Transaction, seen: View, case_id: int, although: str, act: Callable[[Transaction], None]
) -> None:
    """Act on a specimen, unless another has claimed it and that was not said to be known.

    A claim is on what is held: it stands in nobody's way once nothing of the specimen is.

    Raises:
        RefusedError: as `heed`, and whatever `act` refuses.
    """
    stored = tx.claim_case(case_id)
    if stored and stored.held:
        heed(tx, seen, seen.person, case_id, although)
    act(tx)
    after_acting(tx, seen, seen.person, case_id)


def after_acting(tx: Transaction, seen: View, name: str, case_id: int) -> None:
    """Note that a person acted: their claim lives on, or ends with what was held."""
    stored = tx.case(case_id)
    if stored is None or not stored.held:
        tx.end_claim(case_id)
    else:
        tx.keep_claim(case_id, name, seen)


def look(tx: Transaction, seen: View, name: str, case_id: int) -> None:
    """Note that a person has the page of a specimen open: opening it is doing something with it."""
    tx.keep_claim(case_id, name, seen)
    listen(tx, seen, name, case_id)


def listen(tx: Transaction, seen: View, name: str, case_id: int) -> None:
    """Note that the page of a specimen is still open; that alone keeps no claim alive."""
    tx.see(case_id, name, seen.now, seen.seen_since)


def takers(reader: Reader) -> list[str]:
    """Return who may take specimens."""
    return [who.name for who in reader.people() if who.role in SETTLES and not who.locked]


def _may_take(who: Person) -> None:
    if who.role not in SETTLES:
        raise RefusedError("Specimens are taken by a technologist or a pathologist.")


def _held(tx: Transaction, case_id: int) -> None:
    stored = tx.claim_case(case_id)
    if stored is None or not stored.held:
        raise RefusedError("Nothing of this specimen is held any more.")


def _own(tx: Transaction, seen: View, who: Person, case_id: int) -> None:
    tx.claim_case(case_id)
    standing = tx.claim_of(case_id, seen.claims_since)
    if standing is None or standing.person != who.name:
        raise RefusedError("This specimen is not claimed by you (any more).")

"""Lists that show patients: who saw which is put on record before the list is sent.

Once per session and specimen: a list is drawn anew with every change, and what counts is that this
person saw this patient in this list, not how often.
"""

import threading
from collections import OrderedDict
from collections.abc import Iterable
from functools import partial

from verifier.store.rows import QueueRow, Session, StoredCase
from verifier.store.search import Found
from verifier.store.sights import LISTED
from verifier.store.store import Store
from verifier.store.transaction import Transaction

MOST_SESSIONS = 2000

Shown = tuple[int, str, str]  # case, key of the patient, key of the specimen


def shown(row: QueueRow | StoredCase | Found) -> Shown:
    """Return what a line of a list shows of whom."""
    if isinstance(row, QueueRow):
        return row.case_id, row.patient_key, row.specimen
    patient = row.record.patient
    case = row.case_id if isinstance(row, Found) else row.id
    return case, patient.key if patient else "", row.record.specimen.key


class Sights:
    """Remembers what each session was shown; what was forgotten is put on record again."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._known: OrderedDict[str, set[int]] = OrderedDict()
        self._lock = threading.Lock()

    def listed(self, session: Session, rows: Iterable[Shown]) -> None:
        """Put on record what a session is about to be shown for the first time.

        Raises:
            StoreError: it could not be put on record, so it must not be shown.
        """
        with self._lock:
            seen = self._known.setdefault(session.handle, set())
            self._known.move_to_end(session.handle)
            while len(self._known) > MOST_SESSIONS:
                self._known.popitem(last=False)
            fresh = [row for row in rows if row[0] not in seen]
        if fresh:
            self._store.write(partial(_record, session.person.name, fresh))
            with self._lock:
                seen.update(case for case, *_ in fresh)


def _record(who: str, rows: list[Shown], tx: Transaction) -> None:
    for case, patient, specimen in rows:
        tx.audit(who, LISTED, f"case:{case}", {"patient": patient, "specimen": specimen})

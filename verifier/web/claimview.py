"""Who has a specimen: what its page says about claims, and who else has it open."""

from dataclasses import dataclass
from datetime import datetime

from verifier.service import worklist
from verifier.store.rows import Person
from verifier.store.transaction import Reader
from verifier.store.worklistrows import CaseClaim, View
from verifier.web.worklistview import deadline


@dataclass(frozen=True, slots=True)
class ClaimView:
    """The claim on a held specimen; `although` is whose claim the visitor said they know of."""

    claim: CaseClaim | None
    looking: list[str]
    takers: list[str]
    priority: str
    soon: datetime
    due: datetime
    although: str


def claim_view(
    reader: Reader, view: View, who: Person, case_id: int, although: str = ""
) -> ClaimView | None:
    """Return what is said above a case, None when nothing of it is held."""
    stored = reader.case(case_id)
    if stored is None or not stored.held:
        return None
    priority = stored.record.specimen.attributes.get("priority", "routine")
    soon, due = deadline(stored.record.opened, priority, view.targets)
    return ClaimView(
        reader.claim_of(case_id, view.claims_since),
        [name for name in reader.present(view.seen_since).get(case_id, []) if name != who.name],
        [name for name in worklist.takers(reader) if name != who.name],
        priority,
        soon,
        due,
        although,
    )

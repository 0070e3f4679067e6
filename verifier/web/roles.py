"""Who may do what on the page. The actions themselves check again."""

from verifier.service import ruleshelf
from verifier.store.rows import ROLES, Person, Role

_ALL = frozenset(ROLES)
_BENCH: frozenset[Role] = frozenset({"technologist", "pathologist"})

ABILITIES: dict[str, frozenset[Role]] = {
    "look": _ALL,
    "settle results": _BENCH,
    "settle problems": _ALL,
    "suspend": _ALL,
    "record controls": _BENCH,
    "read the audit log": frozenset({"pathologist", "administrator"}),
    "write rules": ruleshelf.WRITES,
    "approve rules": ruleshelf.APPROVES,
    "activate rules": ruleshelf.ACTIVATES,
    "manage people": frozenset({"administrator"}),
}


def can(person: Person, ability: str) -> bool:
    """Return whether the role of a person has an ability of `ABILITIES`."""
    return person.role in ABILITIES[ability]

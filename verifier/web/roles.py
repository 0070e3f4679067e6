"""Who may do what on the page. The actions themselves check again."""

from typing import Literal

from verifier.practice import Act
from verifier.service import ruleshelf
from verifier.store.rows import ROLES, Person, Role
from verifier.texts import mark

_ALL = frozenset(ROLES)
_BENCH: frozenset[Role] = frozenset({"technologist", "pathologist"})

ABILITIES: dict[str, frozenset[Role]] = {
    mark("look"): _ALL,
    mark("settle results"): _BENCH,
    mark("correct results"): frozenset({"pathologist"}),
    mark("call results"): _BENCH,
    mark("settle problems"): _ALL,
    mark("suspend"): _ALL,
    mark("record controls"): _BENCH,
    mark("read the audit log"): frozenset({"pathologist", "administrator"}),
    mark("write rules"): ruleshelf.WRITES,
    mark("approve rules"): ruleshelf.APPROVES,
    mark("activate rules"): ruleshelf.ACTIVATES,
    mark("manage people"): frozenset({"administrator"}),
}


# Which acts ask for the password again; `acts.password` of the settings adds to them, never less.
PASSWORD: dict[Act, Literal["always", "critical or out of control", "never"]] = {
    "release": "critical or out of control",
    "suppress": "always",
    "reject": "never",
    "ask": "never",
    "correct": "always",
    "undo": "never",
    "call": "never",
    "batch": "always",
}


def signs(act: Act, more: tuple[Act, ...]) -> bool:
    """Return whether an act always asks for the password again; `more` are those of the site."""
    return act in more or PASSWORD[act] == "always"


def can(person: Person, ability: str) -> bool:
    """Return whether the role of a person has an ability of `ABILITIES`."""
    return person.role in ABILITIES[ability]

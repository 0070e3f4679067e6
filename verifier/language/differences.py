"""Says in words how one rule set differs from another in what it decides and shows.

Every statement becomes facts: a subject ("potassium, adults"), a label ("critical high") and what
is said. Rule sets of one identity do not differ; scenarios, guarantees and layout are not compared.
"""

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from verifier.language import telling
from verifier.language.findings import Findings
from verifier.language.groups import without_groups
from verifier.language.identity import identity
from verifier.language.reader import read
from verifier.language.source import Source
from verifier.language.telling import Facts, Said
from verifier.language.tree import Declaration

Subjects = Mapping[str, Facts]
_NOTHING = Said("", ())
_FINE = "the order of its parts changed"


class _Set(NamedTuple):
    """One rule set, told: facts by subject, and the identity of each statement by subject."""

    facts: Subjects
    identities: Mapping[str, str]
    whole: str


def differences(old: Mapping[str, str], new: Mapping[str, str]) -> list[str]:
    """Return sentences on how the rule files `new` differ from `old` (name to text), [] if equal.

    Both must be free of errors; what can not be read is not compared.
    """
    before, after = _told(old), _told(new)
    if before.whole == after.whole:
        return []
    sentences: list[str] = []
    for subject in sorted({*before.facts, *after.facts}, key=telling.rank):
        sentences += _of_subject(subject, before, after)
    return sentences or [_FINE]


def _told(files: Mapping[str, str]) -> _Set:
    sources = {name: Source(name, files[name]) for name in sorted(files)}
    findings = Findings(sources)
    declarations = without_groups(read(sources, findings), findings).declarations
    facts = telling.facts_of(declarations)
    identities = {subject: identity([d]) for subject, d in _named(declarations)}
    return _Set(facts, identities, identity(declarations))


def _named(declarations: Iterable[Declaration]) -> Iterable[tuple[str, Declaration]]:
    pairs = ((telling.subject_of(declared), declared) for declared in declarations)
    return ((subject, declared) for subject, declared in pairs if subject)


def _of_subject(subject: str, before: _Set, after: _Set) -> list[str]:
    old, new = before.facts.get(subject), after.facts.get(subject)
    is_row = subject not in before.identities and subject not in after.identities
    if not is_row and (old is None or new is None):
        return [f"{subject} {'added' if old is None else 'removed'}"]
    old, new = old or {}, new or {}
    sentences = [
        f"{subject}: {text}"
        for key in [*old, *(key for key in new if key not in old)]
        for text in _of_fact(old.get(key), new.get(key))
        if not _goes_without_saying(key, old, new)
    ]
    same = before.identities.get(subject) == after.identities.get(subject)
    if sentences or same:
        return sentences
    return [f"{subject}: {_FINE}"]


def _of_fact(old: Said | None, new: Said | None) -> list[str]:
    """Return what changed in one fact; None where it is not said at all."""
    label = (old or new or _NOTHING).label
    was, now = old or _NOTHING, new or _NOTHING
    gone = [text for text in was.texts if text not in now.texts]
    come = [text for text in now.texts if text not in was.texts]
    if was.whole and now.whole and was.edge != now.edge:
        gone, come = [was.whole], [now.whole]
    lead = f"{label} " if label else ""
    if len(gone) == len(come) == 1:
        return [f"{lead}{gone[0]} becomes {come[0]}"]
    return [f"{lead}{text} removed" for text in gone] + [f"{lead}{text} added" for text in come]


def _goes_without_saying(key: str, old: Facts, new: Facts) -> bool:
    """Whether a source only comes or goes with the limit it belongs to."""
    return key.endswith(" source") and not (key in old and key in new)

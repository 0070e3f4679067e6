"""Says in words how one rule set differs from another: in what it decides, shows and expects.

Every statement becomes facts: a subject ("potassium, adults"), a label ("critical high") and what
is said. Layout is not compared.
"""

from collections.abc import Iterable, Mapping, Set
from types import MappingProxyType
from typing import NamedTuple

from verifier.language import telling, tree
from verifier.language.expectations import expected_of
from verifier.language.findings import Findings
from verifier.language.formatting import formatted
from verifier.language.groups import without_groups
from verifier.language.identity import identity
from verifier.language.memory import Memory
from verifier.language.parameters import site_source, with_site_values
from verifier.language.reader import Reading, read
from verifier.language.source import Source
from verifier.language.spelled import spelled
from verifier.language.telling import Facts, Said
from verifier.language.tree import Declaration

Subjects = Mapping[str, Facts]
Site = Mapping[str, str]
_NO_SITE: Site = MappingProxyType({})
_NOTHING = Said("", ())
_FINE = "the order of its parts changed"
_REPLACED = "the value in the rules, which the site replaces,"


class _Set(NamedTuple):
    """One rule set, told: facts by subject, and the identity of each statement by subject.

    `expected` are the facts of scenarios and guarantees.
    """

    facts: Subjects
    identities: Mapping[str, str]
    whole: str
    expected: Subjects


def differences(
    old: Mapping[str, str],
    new: Mapping[str, str],
    old_site: Site = _NO_SITE,
    new_site: Site = _NO_SITE,
) -> list[str]:
    """Return sentences on how the rule files `new` differ from `old` (name to text), [] if equal.

    The sites are the parameters each is used with. Both must be free of errors; what can not be
    read is not compared.
    """
    memory = Memory()
    alike = {name for name, text in old.items() if new.get(name) == text}
    before, after = _told(old, old_site, alike, memory), _told(new, new_site, alike, memory)
    sentences: list[str] = []
    for subject in sorted({*before.facts, *after.facts}, key=telling.rank):
        sentences += _of_subject(subject, before, after)
    if not sentences and before.whole != after.whole:
        sentences = [_FINE]
    return sentences + _of_expected(before.expected, after.expected)


def _told(files: Mapping[str, str], values: Site, alike: Set[str], memory: Memory) -> _Set:
    """Return a rule set told; files that are `alike` in both are read as they are laid out."""
    laid_out = {
        name: text if name in alike else formatted(text) or text
        for name, text in sorted(files.items())
    }
    sources = {name: Source(name, text) for name, text in laid_out.items()}
    site = site_source(values)
    findings = Findings(sources | {site.file: site})
    memory.begin()
    reading = read(sources, findings, memory=memory)
    given = with_site_values(reading.declarations, site, findings, memory)
    declarations = without_groups(Reading(given, reading.broken), findings, memory).declarations
    facts = telling.facts_of(declarations)
    for item in reading.declarations:
        if isinstance(item, tree.Parameter) and item.name.text in values:
            _tell_site(item, facts[telling.subject_of(item)])
    identities = {subject: identity([d]) for subject, d in _named(declarations)}
    expected = expected_of(declarations, findings.words)
    return _Set(facts, identities, identity(declarations), expected)


def _tell_site(item: tree.Parameter, facts: Facts) -> None:
    """Tell which value the site set, and which it replaced."""
    facts["value"] = Said("", (f"{facts['value'].texts[0]} (set by the site)",))
    facts["source"] = Said("source", (f'"{item.source}"',))
    facts["replaced source"] = Said(_REPLACED, (spelled(item.value),))


def _named(declarations: Iterable[Declaration]) -> Iterable[tuple[str, Declaration]]:
    pairs = ((telling.subject_of(declared), declared) for declared in declarations)
    return ((subject, declared) for subject, declared in pairs if subject)


def _of_subject(subject: str, before: _Set, after: _Set) -> list[str]:
    old, new = before.facts.get(subject), after.facts.get(subject)
    is_row = subject not in before.identities and subject not in after.identities
    if not is_row and (old is None or new is None):
        return [f"{subject} {'added' if old is None else 'removed'}"]
    sentences = _of_facts(subject, old or {}, new or {})
    sentences += _sources_kept(subject, old or {}, new or {})
    same = before.identities.get(subject) == after.identities.get(subject)
    if sentences or same:
        return sentences
    return [f"{subject}: {_FINE}"]


def _of_expected(before: Subjects, after: Subjects) -> list[str]:
    """Return what changed in scenarios and guarantees, which decide nothing."""
    sentences: list[str] = []
    for subject in sorted({*before, *after}):
        old, new = before.get(subject), after.get(subject)
        if old is None or new is None:
            sentences.append(f"{subject} {'added' if old is None else 'removed'}")
        else:
            sentences += _of_facts(subject, old, new)
    return sentences


def _of_facts(subject: str, old: Facts, new: Facts) -> list[str]:
    return [
        f"{subject}: {text}"
        for key in [*old, *(key for key in new if key not in old)]
        for text in _of_fact(old.get(key), new.get(key))
        if not _goes_without_saying(key, old, new)
    ]


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


def _sources_kept(subject: str, old: Facts, new: Facts) -> list[str]:
    """Return which limits changed although they still name the same source."""
    return [
        f"{subject}: the {kind} limit changed, its source did not ({source.texts[0]})"
        for kind, source in _sources(old).items()
        if _sources(new).get(kind) == source and _row_facts(kind, old) != _row_facts(kind, new)
    ]


def _sources(facts: Facts) -> dict[str, Said]:
    ending = " source"
    return {key.removesuffix(ending): facts[key] for key in facts if key.endswith(ending)}


def _row_facts(kind: str, facts: Facts) -> Facts:
    return {key: said for key, said in facts.items() if key.split()[0] == kind}


def _goes_without_saying(key: str, old: Facts, new: Facts) -> bool:
    """Whether a source only comes or goes with the limit, or the site's value, it belongs to."""
    return key.endswith(" source") and not (key in old and key in new)

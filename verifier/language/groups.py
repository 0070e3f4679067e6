"""Puts the tests of a group in its place wherever tests are named."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import partial

from verifier.language import tree
from verifier.language.findings import Findings
from verifier.language.memory import Memory
from verifier.language.reader import Reading

Members = Mapping[str, tuple[str, ...]]


def without_groups(reading: Reading, findings: Findings, memory: Memory) -> Reading:
    """Return the declarations with every group spelled out; what is wrong with groups is noted.

    Names that are found wrong here count as broken, so that no rule is blamed for them as well.
    """
    declarations, broken = reading
    known = {d.name.text for d in declarations if isinstance(d, tree.Test | tree.Derive)}
    named = {d.name.text: d for d in declarations if isinstance(d, tree.Group)}
    groups = {name: group for name, group in named.items() if name not in known}
    members = {name: _members(name, groups, findings) for name in groups}
    unknown: set[str] = {name for name, found in members.items() if not found}
    for word in (word for group in groups.values() for word in group.members):
        if word.text not in known | broken and word.text not in groups:
            unknown.add(word.text)
            findings.unknown_name(word.span, word.text, [*known, *groups], "test, result or group")
    members = {name: found or (name,) for name, found in members.items()}
    memory.groups.begin(members)
    spelled_out = tuple(
        memory.groups.of(id(item), partial(_with_itself, item, members))[0] for item in declarations
    )
    return Reading(spelled_out, broken | unknown)


def _with_itself(
    item: tree.Declaration, members: Members
) -> tuple[tree.Declaration, tree.Declaration]:
    """Return a declaration spelled out and as it was: kept as well, so no id is used again."""
    return _spelled_out(item, members), item


def _members(name: str, groups: Mapping[str, tree.Group], findings: Findings) -> tuple[str, ...]:
    """Return the tests of a group and of the groups in it; a circle is noted and cut."""
    found: dict[str, None] = {}
    seen: set[str] = set()
    waiting = [name]
    while waiting:
        for word in groups[waiting.pop()].members:
            if word.text == name:
                findings.add(
                    "R208", word.span, f"{name} is a part of itself",
                    meaning="its tests could not be told.", fix="name the tests instead",
                )  # fmt: skip
            elif word.text not in groups:
                found[word.text] = None
            elif word.text not in seen:
                seen.add(word.text)
                waiting.append(word.text)
    return tuple(found)


def _spelled_out(declared: tree.Declaration, members: Members) -> tree.Declaration:
    match declared:
        case tree.Limits():
            return replace(declared, tests=_all(declared.tests, members))
        case tree.Rule():
            wait = declared.wait
            return replace(
                declared,
                tests=None if declared.tests is None else _all(declared.tests, members),
                excluded=_all(declared.excluded, members),
                held=_all(declared.held, members),
                wait=wait and replace(wait, tests=_all(wait.tests, members)),
                orders=_all(declared.orders, members),
            )
        case tree.Scenario():
            steps = tuple(_of_step(step, members) for step in declared.steps)
            return replace(declared, steps=steps)
        case tree.Guarantee() if declared.tests is not None:
            return replace(declared, tests=_all(declared.tests, members))
        case _:
            return declared


def _of_step(step: tree.Step, members: Members) -> tree.Step:
    expected = (
        item
        if item.what.endswith("fired")
        else replace(item, subjects=_all(item.subjects, members))
        for item in step.expected
    )
    return replace(step, expected=tuple(expected))


def _all(words: Iterable[tree.Word], members: Members) -> tuple[tree.Word, ...]:
    found: dict[str, tree.Word] = {}
    for word in words:
        for name in members.get(word.text, (word.text,)):
            found.setdefault(name, tree.Word(name, span=word.span))
    return tuple(found.values())

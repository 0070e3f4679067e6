"""Scenarios from what people overrode: tried on the rules in use, and put into a draft."""

from datetime import datetime

from verifier.assurance.overrides import ADDED, Override, override_of
from verifier.errors import RefusedError
from verifier.facts.case import BY_RULES
from verifier.language.program import Program
from verifier.service import ruleshelf
from verifier.service.judging import Judge
from verifier.service.ruletexts import read_folder
from verifier.store.rows import Person
from verifier.store.rulerows import RuleTexts, VersionRow
from verifier.store.transaction import Reader, Transaction

NOTE = "overrides in service, written as scenarios"
_GROWS = ("draft", "checked")  # what is approved or ordered stays as people saw it


def read_override(reader: Reader, program: Program, case_id: int, place: int) -> Override:
    """Return the scenario of a result that a person released although it was held.

    Raises:
        RefusedError: there is no such result, no person released it, or nothing held it.
    """
    stored = reader.case(case_id)
    if stored is None or not 0 <= place < len(stored.record.entries):
        raise RefusedError("There is no such result.")
    entry = stored.record.entries[place]
    if entry.state != "released" or entry.settled_by in ("", BY_RULES):
        raise RefusedError("No person has released this result, so nothing was overridden.")
    for kept in reversed(reader.decisions(case_id)):
        items = (i for i in kept.decision.results if i.entry == place and i.outcome == "hold")
        if next(items, None) is not None:
            facts = reader.facts(kept.id)
            if facts is None:
                raise RefusedError("The facts of this decision were not kept.")
            return override_of(program, facts, kept.decision, place)
    raise RefusedError("This result was not held, so nothing was overridden.")


def texts_in_use(reader: Reader, judge: Judge) -> RuleTexts:
    """Return what the rules in use say: the active version, or the folder where there is none.

    Raises:
        RuleSetError: the folder can not be read.
    """
    if judge.version is not None:
        return ruleshelf.texts(reader, judge.version)
    return read_folder(judge.settings.rules, judge.settings.parameters)


def into_draft(
    tx: Transaction, who: Person, active: int, override: Override, now: datetime
) -> VersionRow:
    """Put a scenario into the draft of the active version that collects them; return the draft.

    One is made where there is none. A scenario that is in it already is not put in again.

    Raises:
        RefusedError: the role may not write rules.
    """
    ruleshelf.may(who, ruleshelf.WRITES, "write rules")
    tx.claim(ruleshelf.RULES)
    found = _collecting(tx, active, now)
    before = ruleshelf.texts(tx, found.id if found else active)
    text = before.files.get(ADDED, "")
    if found and override.text in text:
        return found
    joined = f"{text.rstrip()}\n\n{override.text}" if text.strip() else override.text
    files = {**before.files, ADDED: joined}
    if found is None:
        return ruleshelf.add(tx, who.name, RuleTexts(files, before.parameters), NOTE, active)
    return ruleshelf.edit(tx, who, found.id, files, found.note, found.hash)


def _collecting(tx: Transaction, active: int, now: datetime) -> VersionRow | None:
    listed = ruleshelf.shelf(tx, now).versions
    return next(
        (
            item.version
            for item in listed
            if item.state in _GROWS
            and not item.approvals
            and item.version.based_on == active
            and item.version.note == NOTE
        ),
        None,
    )

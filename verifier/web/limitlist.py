"""The limits a result is judged by, those of the person's own population."""

import re
from dataclasses import dataclass
from decimal import Decimal

from verifier.language.fitting import ForPatients, fits, limit_words
from verifier.language.limits import KINDS, LimitTables
from verifier.language.scene import Scene
from verifier.web.catalogue import say
from verifier.web.units import readable
from verifier.web.words import word

# How `spelled` writes a reference change value.
_CHANCE = re.compile(r" \((lognormal )?rcv\(([^()]*)\)\)")


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit in words; `whom` names its population, `doubt` why it is not certain to apply."""

    kind: str
    text: str
    whom: str
    source: str
    doubt: str


@dataclass(frozen=True, slots=True)
class Band:
    """The reference interval in the unit shown; an open end is None."""

    low: Decimal | None
    high: Decimal | None
    text: str
    whom: str


def limits_of(test: str, tables: LimitTables, scene: Scene) -> list[Limit]:
    """Return the limits of a test that are for this person, or may be."""
    found = []
    for kind in KINDS:
        for row in tables.rows.get((test, kind), ()):
            fitting = fits(row, scene)
            if fitting is not False:
                doubt = "" if fitting is True else "; ".join(fitting.sentences())
                found.append(
                    Limit(
                        word(limit_words(kind)), readable(row.text()), whom(row), row.source, doubt
                    )
                )
    for change in tables.changes.get(test, ()):
        fitting = fits(change, scene)
        if fitting is not False:
            doubt = "" if fitting is True else "; ".join(fitting.sentences())
            text = in_words(change.text)
            found.append(Limit(say("change limit"), text, whom(change), change.source, doubt))
    return found


def in_words(text: str) -> str:
    """Return the text of a change limit with the reference change value called by its name."""
    return readable(_CHANCE.sub(_called, text))


def _called(found: re.Match[str]) -> str:
    if found[1]:
        return say(", the log-normal reference change value (%(chance)s),", chance=found[2])
    return say(", the reference change value (%(chance)s),", chance=found[2])


def band_of(test: str, tables: LimitTables, scene: Scene) -> Band | None:
    """Return the reference interval of this person, None where there is not exactly one."""
    rows = [row for row in tables.rows.get((test, "reference"), ()) if fits(row, scene) is True]
    if len(rows) != 1 or len(rows[0].stretches) != 1:
        return None
    row = rows[0]
    part = row.stretches[0].shown(row.present) if row.present else row.stretches[0]
    return Band(part.low, part.high, readable(row.text()), whom(row))


def whom(row: ForPatients) -> str:
    """Return the population of a limit as words, ``everybody`` where it has none."""
    return row.population.replace("_", " ") or say("everybody")

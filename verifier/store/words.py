"""Words by which people are found: the parts of a name and the number, in one spelling.

A row per word and patient, not per specimen: what a patient is called is written once, however
often they come. Patients without a number have no key and are found by specimen and date only.
"""

import re
import unicodedata
from functools import lru_cache

from sqlalchemy import bindparam, delete, exists
from sqlalchemy.dialects.postgresql import insert

from verifier.facts.case import CaseRecord
from verifier.store import schema
from verifier.store.base import Writing
from verifier.store.sql import Statement

_word, _case = schema.patient_word, schema.specimen_case

_ADD = Statement(insert(_word).on_conflict_do_nothing())  # SQLite spells it like PostgreSQL
_FORGET = Statement(
    delete(_word).where(
        _word.c.patient == bindparam("whose"),
        ~exists().where(_case.c.patient == bindparam("whose")),
    )
)


def folded(text: str) -> tuple[str, ...]:
    """Return the words of a text without case and accents: ``Müller, Åsa`` is muller, asa."""
    plain = unicodedata.normalize("NFKD", text.casefold())
    bare = "".join(one for one in plain if not unicodedata.combining(one))
    return tuple(word for word in re.split(r"[\s,]+", bare) if word)


@lru_cache(maxsize=4096)
def words_of(name: str, number: str) -> tuple[str, ...]:
    """Return all words somebody is found by, sorted; of a double name also its parts."""
    whole = folded(f"{name} {number}")
    parts = (part for word in whole for part in re.split(r"[\W_]+", word) if part)
    return tuple(sorted({*whole, *parts}))


class WordWrites(Writing):
    """Keeps the words in step with the cases."""

    def _write_words(self, record: CaseRecord) -> None:
        patient = record.patient
        if patient and patient.key:
            words = words_of(patient.name, patient.number)
            rows = ((word, patient.key) for word in words)
            self._insert_many(_ADD, rows)

    def forget_words(self, patient_key: str) -> None:
        """Remove the words of a patient of whom no case is left."""
        self._run(_FORGET, whose=patient_key)

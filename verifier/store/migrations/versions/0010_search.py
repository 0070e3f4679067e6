"""Words to find patients by, and specimens in the order of their first result."""

import zlib

import msgspec
import sqlalchemy as sa
from alembic import op

from verifier.store.words import words_of

revision = "0010"
down_revision = "0008"
branch_labels = None
depends_on = None

_KEY = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
_AT_ONCE = 1000


class _Patient(msgspec.Struct):
    key: str
    number: str = ""
    name: str = ""


class _Record(msgspec.Struct):
    patient: _Patient | None


def upgrade() -> None:
    """Create table and index, and read the words from the cases there are."""
    op.create_table(
        "patient_word",
        sa.Column("word", _KEY, nullable=False),
        sa.Column("patient", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("word", "patient"),
        sqlite_with_rowid=False,
    )
    op.create_index("patient_word_by_patient", "patient_word", ["patient"])
    op.create_index("case_by_time", "specimen_case", ["opened", "id"])
    _fill(op.get_bind())


def _patient(record: bytes) -> _Patient | None:
    try:
        return msgspec.json.decode(zlib.decompress(record), type=_Record).patient
    except (zlib.error, msgspec.MsgspecError):
        return None  # a damaged record must not keep a laboratory from its other specimens


def _fill(connection: sa.Connection) -> None:
    table = sa.table("patient_word", sa.column("word"), sa.column("patient"))
    last, known = 0, set[tuple[str, str]]()
    after = sa.text("SELECT id, record FROM specimen_case WHERE id > :last ORDER BY id LIMIT :most")
    while rows := connection.execute(after, {"last": last, "most": _AT_ONCE}).all():
        patients = (_patient(record) for _, record in rows)
        found = {
            (word, patient.key)
            for patient in patients
            if patient and patient.key
            for word in words_of(patient.name, patient.number)
        } - known
        known |= found
        if found:
            connection.execute(
                table.insert(), [{"word": word, "patient": key} for word, key in sorted(found)]
            )
        last = rows[-1][0]

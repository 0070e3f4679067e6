"""Ward and priority of a specimen, who has taken it, and who has it open."""

import json
import zlib

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add columns and tables; what is held already gets its ward and priority."""
    op.add_column("specimen_case", sa.Column("ward", sa.Text(), nullable=False, server_default=""))
    op.add_column(
        "specimen_case", sa.Column("priority", sa.Text(), nullable=False, server_default="routine")
    )
    _fill()
    op.drop_index("case_queue", "specimen_case")
    held = sa.text("held > 0")
    op.create_index(
        "case_queue",
        "specimen_case",
        ["severity", "opened", "priority", "ward"],
        sqlite_where=held,
        postgresql_where=held,
    )
    case = ("case_id", sa.BigInteger())
    op.create_table(
        "case_claim",
        sa.Column(*case, autoincrement=False, nullable=False),
        sa.Column("person", sa.Text(), nullable=False),
        sa.Column("since", sa.BigInteger(), nullable=False),
        sa.Column("active", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["case_id"], ["specimen_case.id"]),
        sa.PrimaryKeyConstraint("case_id"),
    )
    op.create_table(
        "case_presence",
        sa.Column(*case, autoincrement=False, nullable=False),
        sa.Column("person", sa.Text(), nullable=False),
        sa.Column("seen", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["case_id"], ["specimen_case.id"]),
        sa.PrimaryKeyConstraint("case_id", "person"),
    )


def _fill() -> None:
    case = sa.table("specimen_case", *map(sa.column, ("id", "held", "record", "ward", "priority")))
    connection = op.get_bind()
    held = sa.select(case.c.id, case.c.record).where(case.c.held > 0)
    for number, record in connection.execute(held).all():
        stored = json.loads(zlib.decompress(record))
        told = {
            "ward": _attribute(stored["patient"], "ward"),
            "priority": _attribute(stored["specimen"], "priority") or "routine",
        }
        connection.execute(sa.update(case).where(case.c.id == number).values(**told))


def _attribute(subject: dict[str, dict[str, str]] | None, name: str) -> str:
    return (subject or {}).get("attributes", {}).get(name, "")

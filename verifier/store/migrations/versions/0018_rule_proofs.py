"""What the guarantees of a version came out as, kept with its check."""

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None

_KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Create the table; what was checked before must be proved before it is approved."""
    op.create_table(
        "rule_proof",
        sa.Column("id", _KEY, autoincrement=False, nullable=False),
        sa.Column("version", sa.BigInteger(), nullable=False),
        sa.Column("hash", sa.Text(), nullable=False),
        sa.Column("program", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("person", sa.Text(), nullable=False),
        sa.Column("result", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["version"], ["rule_version.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("rule_proof_by_version", "rule_proof", ["version", "id"])

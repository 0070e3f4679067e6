"""Which patient numbers were merged into which others."""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the table of merges."""
    op.create_table(
        "patient_merge",
        sa.Column(
            "id",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("prior", sa.Text(), nullable=False),
        sa.Column("surviving", sa.Text(), nullable=False),
        sa.Column("leads_to", sa.Text(), nullable=False),
        sa.Column("message_id", sa.BigInteger(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["message_id"], ["message.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("merge_by_prior", "patient_merge", ["prior", "id"])
    op.create_index("merge_by_end", "patient_merge", ["leads_to"])

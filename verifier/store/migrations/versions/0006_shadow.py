"""Shadow runs: a candidate judges beside the rules that decide, and what it says otherwise."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

_KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Create the tables."""
    op.create_table(
        "shadow",
        sa.Column("id", _KEY, autoincrement=False, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("version", sa.BigInteger(), nullable=True),
        sa.Column("files", sa.Text(), nullable=False),
        sa.Column("parameters", sa.Text(), nullable=False),
        sa.Column("identity", sa.Text(), nullable=False),
        sa.Column("started", sa.BigInteger(), nullable=False),
        sa.Column("started_by", sa.Text(), nullable=False),
        sa.Column("first", sa.BigInteger(), nullable=False),
        sa.Column("last", sa.BigInteger(), nullable=False),
        sa.Column("judged", sa.BigInteger(), nullable=False),
        sa.Column("differing", sa.BigInteger(), nullable=False),
        sa.Column("failed", sa.BigInteger(), nullable=False),
        sa.Column("trouble", sa.Text(), nullable=False),
        sa.Column("ended", sa.BigInteger(), nullable=True),
        sa.Column("ended_by", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index(
        "shadow_running",
        "shadow",
        ["id"],
        unique=False,
        sqlite_where=sa.text("ended IS NULL"),
        postgresql_where=sa.text("ended IS NULL"),
    )
    op.create_table(
        "shadow_difference",
        sa.Column("shadow", sa.BigInteger(), nullable=False),
        sa.Column("case_id", sa.BigInteger(), nullable=False),
        sa.Column("decision", sa.BigInteger(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=True),
        sa.Column("failure", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["decision"], ["decision.id"]),
        sa.ForeignKeyConstraint(["shadow"], ["shadow.id"]),
        sa.PrimaryKeyConstraint("shadow", "case_id", "decision"),
    )
    op.create_index("shadow_difference_by_decision", "shadow_difference", ["decision"])

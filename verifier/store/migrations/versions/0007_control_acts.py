"""Control states per analyzer, and control values left out by people."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

_COLUMNS = "test, state, who, at, note"


def upgrade() -> None:
    """States recorded so far are for every analyzer; no value has been left out so far."""
    op.create_table(
        "control_state_of_analyzers",
        sa.Column("test", sa.Text(), nullable=False),
        sa.Column("analyzer", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("test", "analyzer"),
    )
    op.execute(
        f"INSERT INTO control_state_of_analyzers (analyzer, {_COLUMNS}) "  # noqa: S608  # our own words
        f"SELECT '', {_COLUMNS} FROM control_state"
    )
    op.drop_table("control_state")
    op.rename_table("control_state_of_analyzers", "control_state")
    op.add_column("control_result", sa.Column("left_out", sa.BigInteger(), nullable=True))
    op.add_column("control_result", sa.Column("left_out_by", sa.Text(), nullable=True))
    op.add_column("control_result", sa.Column("left_out_why", sa.Text(), nullable=True))

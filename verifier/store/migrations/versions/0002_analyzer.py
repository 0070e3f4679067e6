"""Which analyzer measured a result, and when: what was measured just before it can be found."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the columns, empty for results from before, and the index over those that have them."""
    op.add_column("result", sa.Column("analyzer", sa.Text(), nullable=True))
    op.add_column("result", sa.Column("measured", sa.BigInteger(), nullable=True))
    op.create_index(
        "result_by_analyzer",
        "result",
        ["analyzer", "test", "measured"],
        unique=False,
        sqlite_where=sa.text("measured IS NOT NULL"),
        postgresql_where=sa.text("measured IS NOT NULL"),
    )

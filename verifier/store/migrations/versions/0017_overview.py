"""Counting over a stretch of time reads one index and no result."""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Put the index of all settled results in the place of that of the released ones."""
    op.drop_index("result_released", "result")
    op.create_index(
        "result_settled",
        "result",
        ["by_rules", "settled", "test", "state", "reason"],
        unique=False,
        sqlite_where=sa.text("settled IS NOT NULL"),
        postgresql_where=sa.text("settled IS NOT NULL"),
    )

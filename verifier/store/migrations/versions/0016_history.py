"""Control results taken as history: in charts and figures, and nothing follows from them."""

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the mark; what is stored already was no history."""
    op.add_column(
        "control_result",
        sa.Column("history", sa.Boolean(), nullable=False, server_default=sa.false()),
    )

"""Reviews are found by their case, so that a case can be removed after its time."""

from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the index a removal looks by; without it each would read every review."""
    op.create_index("quality_review_by_case", "quality_review", ["case_id"], unique=False)

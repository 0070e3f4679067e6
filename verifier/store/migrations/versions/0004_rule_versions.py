"""Versions of the rule set: texts, approvals, activations, replays; a decision names its own."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Create the tables; decisions from before name no version."""
    op.create_table(
        "rule_version",
        sa.Column("id", _KEY, autoincrement=False, nullable=False),
        sa.Column("created", sa.BigInteger(), nullable=False),
        sa.Column("author", sa.Text(), nullable=False),
        sa.Column("authors", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("based_on", sa.BigInteger(), nullable=True),
        sa.Column("changed", sa.BigInteger(), nullable=False),
        sa.Column("hash", sa.Text(), nullable=False),
        sa.Column("files", sa.Text(), nullable=False),
        sa.Column("parameters", sa.Text(), nullable=False),
        sa.Column("identity", sa.Text(), nullable=False),
        sa.Column("checked", sa.BigInteger(), nullable=True),
        sa.Column("checked_by", sa.Text(), nullable=False),
        sa.Column("checked_with", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["based_on"], ["rule_version.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("rule_version_by_hash", "rule_version", ["hash", "id"], unique=False)
    op.create_table(
        "rule_approval",
        sa.Column("id", _KEY, autoincrement=False, nullable=False),
        sa.Column("version", sa.BigInteger(), nullable=False),
        sa.Column("person", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("hash", sa.Text(), nullable=False),
        sa.Column("replay", sa.Text(), nullable=False),
        sa.Column("comment", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["version"], ["rule_version.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("rule_approval_by_version", "rule_approval", ["version", "id"], unique=False)
    op.create_table(
        "rule_activation",
        sa.Column("id", _KEY, autoincrement=False, nullable=False),
        sa.Column("version", sa.BigInteger(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("ordered", sa.BigInteger(), nullable=False),
        sa.Column("person", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("withdrawn", sa.BigInteger(), nullable=True),
        sa.Column("withdrawn_by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["version"], ["rule_version.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_table(
        "rule_replay",
        sa.Column("id", _KEY, autoincrement=False, nullable=False),
        sa.Column("version", sa.BigInteger(), nullable=False),
        sa.Column("hash", sa.Text(), nullable=False),
        sa.Column("against", sa.BigInteger(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("result", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["against"], ["rule_version.id"]),
        sa.ForeignKeyConstraint(["version"], ["rule_version.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index(
        "rule_replay_by_version", "rule_replay", ["version", "against", "id"], unique=False
    )
    op.add_column("decision", sa.Column("version", sa.BigInteger(), nullable=True))

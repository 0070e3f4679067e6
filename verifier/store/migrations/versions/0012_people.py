"""Accounts that end, second factors, and sessions that say where they are."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nobody stays signed in: sessions from before do not say how long they may last."""
    op.add_column("person", sa.Column("password_set", sa.BigInteger(), nullable=True))
    op.add_column("person", sa.Column("ends", sa.BigInteger(), nullable=True))
    op.add_column("person", sa.Column("subject", sa.Text(), nullable=True))
    op.create_index("person_by_subject", "person", ["subject"], unique=True)
    op.create_index(
        "audit_by_person",
        "audit",
        ["who", "at"],
        unique=False,
        sqlite_where=sa.text("who <> 'verifier'"),
        postgresql_where=sa.text("who <> 'verifier'"),
    )
    op.execute("UPDATE person SET password_set = created")
    _sessions()
    op.create_table(
        "second_factor",
        sa.Column("person", sa.Text(), nullable=False),
        sa.Column("secret", sa.LargeBinary(), nullable=True),
        sa.Column("pending", sa.LargeBinary(), nullable=True),
        sa.Column("last_step", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["person"], ["person.name"]),
        sa.PrimaryKeyConstraint("person"),
    )
    op.create_table(
        "recovery_code",
        sa.Column("person", sa.Text(), nullable=False),
        sa.Column("hashed", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["person"], ["person.name"]),
        sa.PrimaryKeyConstraint("person", "hashed"),
    )


def _sessions() -> None:
    op.drop_table("session")
    op.create_table(
        "session",
        sa.Column("token", sa.LargeBinary(), nullable=False),
        sa.Column("person", sa.Text(), nullable=False),
        sa.Column("csrf", sa.Text(), nullable=False),
        sa.Column("created", sa.BigInteger(), nullable=False),
        sa.Column("expires", sa.BigInteger(), nullable=False),
        sa.Column("until", sa.BigInteger(), nullable=False),
        sa.Column("seen", sa.BigInteger(), nullable=False),
        sa.Column("step", sa.Text(), nullable=False),
        sa.Column("agent", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["person"], ["person.name"]),
        sa.PrimaryKeyConstraint("token"),
    )
    op.create_index("session_by_person", "session", ["person"], unique=False)

"""The chain of entries, and the guard that lets it only grow."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

WORDS = "the record only grows"

SQLITE = [
    f"CREATE TRIGGER entries_kept_{word.lower()} BEFORE {word} ON entries "
    f"BEGIN SELECT RAISE(ABORT, '{WORDS}'); END"
    for word in ("UPDATE", "DELETE")
]
POSTGRESQL = [
    "CREATE FUNCTION entries_kept() RETURNS trigger LANGUAGE plpgsql AS "
    f"$$ BEGIN RAISE EXCEPTION '{WORDS}'; END $$",
    "CREATE TRIGGER entries_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON entries "
    "FOR EACH STATEMENT EXECUTE FUNCTION entries_kept()",
]


def upgrade() -> None:
    """Make the table, its indexes and its guard."""
    text = sa.Text()
    op.create_table(
        "entries",
        sa.Column("seq", sa.BigInteger(), primary_key=True, autoincrement=False),
        sa.Column("kind", text, nullable=False),
        sa.Column("subject", text, nullable=False),
        sa.Column("session", text, nullable=False),
        sa.Column("who", text, nullable=False),
        sa.Column("at", text, nullable=False),
        sa.Column("what", text, nullable=False),
        sa.Column("before", text),
        sa.Column("after", text),
        sa.Column("previous", text, nullable=False, unique=True),
        sa.Column("hash", text, nullable=False),
    )
    op.create_index("entries_of_session", "entries", ["session", "seq"])
    op.create_index("entries_of_subject", "entries", ["kind", "subject", "seq"])
    guards = {"sqlite": SQLITE, "postgresql": POSTGRESQL}
    for statement in guards.get(op.get_bind().dialect.name, []):
        op.execute(statement)


def downgrade() -> None:
    """Refuse: what people put on record is not to be taken apart."""
    raise NotImplementedError("the record only grows; restore an older copy instead")

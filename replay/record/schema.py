"""The one table of the record, as SQLAlchemy sees it.

Content is kept as the JSON text that was hashed: a database's own JSON type
would hand back another text for the same content.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Index, MetaData, Table, Text

METADATA = MetaData()

ENTRIES = Table(
    "entries",
    METADATA,
    Column("seq", BigInteger, primary_key=True, autoincrement=False),
    Column("kind", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("session", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("before", Text),
    Column("after", Text),
    Column("previous", Text, nullable=False, unique=True),
    Column("hash", Text, nullable=False),
    Index("entries_of_session", "session", "seq"),
    Index("entries_of_subject", "kind", "subject", "seq"),
)
"""``previous`` is unique: two writers can never both follow the same entry."""

HEAD_REVISION = "0001"
"""The migration this program writes for; see `migrations/versions`."""

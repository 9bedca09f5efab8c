"""Alembic's scripts: each takes the record's database from one schema to the next."""

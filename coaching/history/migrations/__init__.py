"""Migrations of the store, run by Alembic: `env` binds them to a connection; `versions` holds one module for each."""

"""Bringing a store to the newest version of its tables, and knowing one that is newer than this program.

Alembic is imported only where there is something to do, since opening a store must be quick.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from sqlalchemy import Connection, inspect, text

from ebbset.coaching.history.databases import APPLICATION_ID, StoreError

if TYPE_CHECKING:
    from alembic.config import Config

HEAD: Final = "0003"
"""The newest version of the tables; a test compares it with the migrations."""
_VERSIONS: Final = "alembic_version"


def version_of(connection: Connection) -> str | None:
    """Version of the tables; None for an empty database.

    Args:
        connection: of the store.
    """
    if not inspect(connection).has_table(_VERSIONS):
        return None
    found = connection.execute(text(f"SELECT version_num FROM {_VERSIONS}")).scalar()
    return None if found is None else str(found)


def bring_up_to_date(connection: Connection, *, name: str) -> None:
    """Make the tables, or migrate them to `HEAD`.

    Args:
        connection: in a transaction that writes.
        name: of the store, for people.

    Raises:
        StoreError: a database of something else, or of a later version of ebbset.
    """
    version = version_of(connection)
    if version == HEAD:
        return
    if version is None and set(inspect(connection).get_table_names()) - {_VERSIONS}:
        raise StoreError(f"{name}: a database of something else; allowed: a store of ebbset, or an empty database")
    known = _known_versions()
    if version is not None and version not in known:
        raise StoreError(
            f"{name}: written by a later version of ebbset (tables {version}; this one knows up to {HEAD}); install "
            "that version, or set the store aside and run `ebbset history rebuild`"
        )
    migrate(connection, HEAD)
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")


def migrate(connection: Connection, version: str) -> None:
    """Run the migrations that lead to a version, up or down.

    Args:
        connection: in a transaction that writes.
        version: one of the migrations', or ``base`` for none.
    """
    from alembic import command

    bound = alembic_config()
    bound.attributes["connection"] = connection
    if version == "base" or _is_older(version, version_of(connection)):
        command.downgrade(bound, version)
    else:
        command.upgrade(bound, version)


def _is_older(version: str, than: str | None) -> bool:
    return than is not None and version < than


def _known_versions() -> set[str]:
    from alembic.script import ScriptDirectory

    return {one.revision for one in ScriptDirectory.from_config(alembic_config()).walk_revisions()}


def alembic_config() -> Config:
    """Alembic's settings: where the migrations are."""
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "ebbset.coaching.history:migrations")
    config.set_main_option("path_separator", "os")
    return config

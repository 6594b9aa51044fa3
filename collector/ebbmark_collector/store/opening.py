"""Opening the store the settings name."""

import os
from pathlib import Path

from ebbmark_collector.errors import ConfigurationError
from ebbmark_collector.settings import Settings
from ebbmark_collector.store.sqlite import SqliteStore
from ebbmark_collector.store.tx import Store

DATABASE = "collector.db"


def open_store(data: Path, settings: Settings) -> Store:
    """Open the database, bringing its schema up to date.

    Args:
        data: The data folder; made if it is missing, readable by its owner only.
        settings: The settings in force.

    Raises:
        ConfigurationError: When the folder cannot be made.
        StoreError: When the database cannot be used.
    """
    if settings.store.postgresql:
        from ebbmark_collector.store.postgres import PostgresStore

        return PostgresStore(settings.store.postgresql, pool=settings.store.pool)
    try:
        data.mkdir(mode=0o700, parents=True, exist_ok=True)
        path = data / DATABASE
        if not path.exists():
            os.close(os.open(path, os.O_CREAT | os.O_WRONLY, 0o600))
    except OSError as error:
        raise ConfigurationError([f"{data} cannot hold the database: {error.strerror}."]) from error
    return SqliteStore(path)

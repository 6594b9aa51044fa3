"""Opening the store the settings name."""

import logging
import os
from pathlib import Path

from ebbmark_collector.errors import ConfigurationError
from ebbmark_collector.settings import Settings
from ebbmark_collector.store import keeping
from ebbmark_collector.store.schema import STEPS
from ebbmark_collector.store.sqlite import SqliteStore
from ebbmark_collector.store.tx import Store

_LOG = logging.getLogger(__name__)
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
    _back_up_before_new_steps(path)
    return SqliteStore(path)


def _back_up_before_new_steps(path: Path) -> None:
    """Keep a verified copy beside a database whose schema is about to be taken forward.

    Going forward cannot be undone: who wants the earlier version back restores this copy with it.
    """
    known = keeping.steps_in(path)
    ahead = [name for name, _ in STEPS if name not in known]
    if not known or not ahead:
        return
    copy = path.with_name(f"{path.name}.before-{ahead[0]}")
    if not copy.exists():
        size = keeping.back_up(path, copy)
        _LOG.info("backed up before the schema goes forward", extra={"copy": str(copy), "bytes": size})

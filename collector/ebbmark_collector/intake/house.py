"""The house's own recording formats: a file the operator names, kept in the database while it is in force.

It is read when the collector starts. What was read goes into the database, so that every worker judges by the
same formats, a backup holds them, and a change of the file has every drive looked at again.
"""

import json
from datetime import datetime
from pathlib import Path

from ebbmark_agent.evidence import DefinitionError

from ebbmark_collector.errors import ConfigurationError
from ebbmark_collector.intake.rulebook import formats_with, role_of
from ebbmark_collector.store import Store, Tx, drives, rules
from ebbmark_collector.store.ids import new_id


def read_formats(path: Path | None) -> str | None:
    """Give the text of the house's formats, checked; None where no file is named.

    Raises:
        ConfigurationError: It cannot be read, or with every mistake in it: line, key and what is legal.
    """
    if path is None:
        return None
    try:
        text = path.read_text(encoding="utf-8")
        formats_with(text, what=str(path))
    except OSError as error:
        raise ConfigurationError([f"house.formats_file: {path} cannot be read: {error.strerror}."]) from error
    except UnicodeDecodeError as error:
        raise ConfigurationError([f"house.formats_file: {path} is not UTF-8."]) from error
    except DefinitionError as error:
        raise ConfigurationError([f"house.formats_file: {error}"]) from error
    return text


def _check_roles(tx: Tx, text: str | None) -> None:
    formats, faults = formats_with(text), []
    for row in rules.roles(tx):
        try:
            role_of(json.loads(row["document"]), formats)
        except DefinitionError as error:
            faults.append(
                f"house.formats_file: the role {row['name']} needs what is no longer in it: {error}"
            )
    if faults:
        raise ConfigurationError(faults)


def put_in_force(store: Store, text: str | None, now: datetime) -> bool:
    """Have the collector judge by these formats beside the shipped ones.

    Args:
        store: The store.
        text: The house's formats as `read_formats` gave them.
        now: The instant.

    Returns:
        Whether that changed anything; if so every drive is looked at again.

    Raises:
        ConfigurationError: A role in force names a format that would be gone.
    """

    def job(tx: Tx) -> bool:
        if rules.house_formats(tx) == text:
            return False
        _check_roles(tx, text)
        rules.put_house_formats(tx, text)
        rules.set_mark(tx, new_id(now))
        drives.look_at_all_again(tx)
        return True

    return store.write(job)

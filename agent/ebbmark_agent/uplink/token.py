"""The agent's token in a file of its own that nobody else may read."""

import os
import stat
from pathlib import Path

from ebbmark_agent.errors import StateUnusableError, TokenFileError


def read_token(path: Path) -> str:
    """Read the token.

    Args:
        path: Its file.

    Returns:
        The token.

    Raises:
        TokenFileError: The file is missing, empty, unreadable or open to others.
    """
    try:
        mode = path.stat().st_mode
        text = path.read_text(encoding="ascii").strip()
    except FileNotFoundError as error:
        raise TokenFileError(path=str(path), reason="is missing") from error
    except (OSError, UnicodeDecodeError) as error:
        raise TokenFileError(path=str(path), reason="cannot be read") from error
    if not text:
        raise TokenFileError(path=str(path), reason="is empty")
    # Where the system has no user ids, access lists guard the file and the mode says nothing.
    if hasattr(os, "getuid") and stat.S_IMODE(mode) & 0o077:
        raise TokenFileError(path=str(path), reason="can be read by others")
    return text


def write_token(path: Path, token: str) -> None:
    """Put a token in place, readable by its owner alone from the first byte on.

    Args:
        path: Its file.
        token: The token.

    Raises:
        StateUnusableError: The folder cannot be written.
    """
    temporary = path.with_name(f"{path.name}.{os.getpid()}.new")
    try:
        path.parent.mkdir(mode=0o750, parents=True, exist_ok=True)
        descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "w", encoding="ascii") as file:
            file.write(token + "\n")
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
    except OSError as error:
        raise StateUnusableError(path=str(path.parent), reason=error.strerror or str(error)) from error

"""Local switches that work without the network: on air, and holds set at this machine.

They are plain files in the state folder, so that anyone who may write there can set one even while the
agent's database is busy or broken, and a running probe sees one within a block. A switch that cannot be read
counts as set.
"""

import os
import secrets
from datetime import datetime
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from ebbmark_agent.errors import StateUnusableError
from ebbmark_agent.report import Hold

_HOLDS = TypeAdapter(tuple[Hold, ...])


class Switches:
    """The switches of one machine."""

    def __init__(self, state_dir: Path) -> None:
        """Take the agent's own folder."""
        self._on_air = state_dir / "on-air"
        self._holds = state_dir / "holds.json"

    def on_air(self) -> bool:
        """Say whether the machine is on air; a folder that cannot be looked into counts as on air."""
        try:
            self._on_air.stat()
        except FileNotFoundError:
            return False
        except OSError:
            return True
        return True

    def readable(self) -> bool:
        """Say whether this user may look at the switches at all."""
        try:
            self._on_air.stat()
        except FileNotFoundError:
            return True
        except OSError:
            return False
        return True

    def set_on_air(self, *, on: bool) -> None:
        """Set or clear the on-air switch.

        Raises:
            StateUnusableError: The state folder cannot be written.
        """
        try:
            if on:
                self._on_air.parent.mkdir(mode=0o750, parents=True, exist_ok=True)
                self._on_air.touch()
            else:
                self._on_air.unlink(missing_ok=True)
        except OSError as error:
            raise StateUnusableError(
                path=str(self._on_air.parent), reason=error.strerror or str(error)
            ) from error

    def holds(self, *, now: datetime) -> tuple[Hold, ...]:
        """Give the local holds that have not ended.

        Raises:
            StateUnusableError: The file is there and cannot be read.
        """
        try:
            held = _HOLDS.validate_json(self._holds.read_bytes())
        except FileNotFoundError:
            return ()
        except (OSError, ValidationError) as error:
            raise StateUnusableError(path=str(self._holds), reason="holds cannot be read") from error
        return tuple(hold for hold in held if hold.ends_at > now)

    def hold(self, *, ends_at: datetime, reason: str, now: datetime) -> Hold:
        """Set a hold from now on.

        Args:
            ends_at: When it ends.
            reason: Why, in the words of whoever sets it.
            now: The present instant.

        Returns:
            The hold.

        Raises:
            StateUnusableError: The state folder cannot be written.
        """
        hold = Hold(hold_id=f"local-{secrets.token_hex(4)}", starts_at=now, ends_at=ends_at, reason=reason)
        self._write((*self.holds(now=now), hold))
        return hold

    def release_holds(self) -> None:
        """End every local hold.

        Raises:
            StateUnusableError: The state folder cannot be written.
        """
        self._write(())

    def _write(self, holds: tuple[Hold, ...]) -> None:
        temporary = self._holds.with_suffix(f".{os.getpid()}.new")
        try:
            self._holds.parent.mkdir(mode=0o750, parents=True, exist_ok=True)
            temporary.write_bytes(_HOLDS.dump_json(holds))
            temporary.replace(self._holds)
        except OSError as error:
            raise StateUnusableError(
                path=str(self._holds.parent), reason=error.strerror or str(error)
            ) from error

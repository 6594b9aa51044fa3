"""Tells a service manager that the collector is ready, alive or stopping, where one listens.

Source: sd_notify(3) of systemd: newline-separated assignments in one datagram to the socket NOTIFY_SOCKET
names; a leading @ stands for the abstract namespace; WATCHDOG_USEC is the deadline between two signs of life.
"""

import contextlib
import socket
from collections.abc import Mapping

SIGNS_A_DEADLINE = 3  # [1] one late sign is no death


class ServiceManager:
    """The service manager of this process, or nobody."""

    def __init__(self, environment: Mapping[str, str]) -> None:
        """Take the process environment."""
        address = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        microseconds = environment.get("WATCHDOG_USEC", "")
        self._sign_every_s = int(microseconds) / 1e6 / SIGNS_A_DEADLINE if microseconds.isdecimal() else None
        self._signed_s: float | None = None

    def tell(self, *assignments: str) -> bool:
        """Send assignments such as `READY=1`; whether somebody listens."""
        family = getattr(socket, "AF_UNIX", None)
        if not self._address or family is None:
            return False
        with contextlib.suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as sender:
            sender.sendto("\n".join(assignments).encode(), self._address)
            return True
        return False

    def sign_of_life(self, now_s: float) -> None:
        """Say that the process lives, as often as the service manager's deadline asks for.

        Args:
            now_s: A monotonic clock [s].
        """
        if self._sign_every_s is None:
            return
        if self._signed_s is None or now_s - self._signed_s >= self._sign_every_s:
            self._signed_s = now_s
            self.tell("WATCHDOG=1")

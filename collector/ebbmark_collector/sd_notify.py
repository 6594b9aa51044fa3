"""Tells a service manager that the collector is ready, alive or stopping, where one listens.

Source: sd_notify(3) of systemd: newline-separated assignments in one datagram to the socket NOTIFY_SOCKET
names; a leading @ stands for the abstract namespace; WATCHDOG_USEC is the deadline between two signs of life.
"""

import contextlib
import socket
from collections.abc import Mapping


class ServiceManager:
    """The service manager of this process, or nobody."""

    def __init__(self, environment: Mapping[str, str]) -> None:
        """Take the process environment."""
        address = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        microseconds = environment.get("WATCHDOG_USEC", "")
        self.deadline_s = int(microseconds) / 1e6 if microseconds.isdecimal() else None

    def tell(self, *assignments: str) -> bool:
        """Send assignments such as `READY=1`; whether somebody listens."""
        family = getattr(socket, "AF_UNIX", None)
        if not self._address or family is None:
            return False
        with contextlib.suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as sender:
            sender.sendto("\n".join(assignments).encode(), self._address)
            return True
        return False

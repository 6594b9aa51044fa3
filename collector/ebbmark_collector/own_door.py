"""Signs of life that mean something: each follows an answer of the collector's own live check.

The check comes in as any caller's request does, over the listening address: only if the listener accepts, the
requests are read and a thread is free to answer does the service manager hear that the process lives.
"""

import http.client
import logging
import ssl
import threading

from ebbmark_collector.sd_notify import ServiceManager

_LOG = logging.getLogger(__name__)
_ANYWHERE = {"0.0.0.0": "127.0.0.1", "::": "::1"}  # noqa: S104 -- compared only


class OwnDoor:
    """The collector's own address, knocked at from within."""

    def __init__(self, host: str, port: int, *, with_tls: bool = False) -> None:
        """Take where it listens.

        Args:
            host: The address it is bound to; bound to all, it is asked on loopback.
            port: The port.
            with_tls: Whether it answers https; its certificate is not for this address and not looked at.
        """
        self._host, self._port = _ANYWHERE.get(host, host), port
        self._context = _any_certificate() if with_tls else None

    def answers(self, *, within_s: float) -> bool:
        """Ask whether it lives.

        Args:
            within_s: How long to wait for each part of the answer [s].
        """
        conn = (
            http.client.HTTPConnection(self._host, self._port, timeout=within_s)
            if self._context is None
            else http.client.HTTPSConnection(self._host, self._port, timeout=within_s, context=self._context)
        )
        try:
            conn.request("GET", "/live", headers={"Connection": "close"})
            return conn.getresponse().status == http.HTTPStatus.OK
        except (OSError, http.client.HTTPException):
            return False
        finally:
            conn.close()

    def watch(self, manager: ServiceManager, over: threading.Event) -> None:
        """Give the service manager a sign of life for each answer, until it is over.

        Args:
            manager: Who is told; without a deadline of its own nobody is, and nothing is asked.
            over: Set when the collector ends.
        """
        if manager.deadline_s is None:
            return
        while not over.is_set():
            if self.answers(within_s=manager.deadline_s / 2):
                manager.tell("WATCHDOG=1")
                over.wait(manager.deadline_s / 3)
            elif not over.wait(manager.deadline_s / 10):
                _LOG.warning("the collector did not answer its own live check; it is asked again")


def _any_certificate() -> ssl.SSLContext:
    """Give a context for knocking at our own door: nothing secret is sent over it."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    return context

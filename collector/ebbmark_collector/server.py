"""Serving: waitress on one address, and an end that finishes the requests in flight.

waitress drops what is running when it is told to stop, so the end is our own: the listener closes first, then
the loop goes on until every request that has arrived is answered or the time for it is over.
"""

import gc
import ipaddress
import logging
import signal
import sys
import threading
from collections.abc import Callable
from typing import Any

from flask import Flask
from waitress.server import BaseWSGIServer, MultiSocketServer, create_server

from ebbmark_collector.errors import ConfigurationError
from ebbmark_collector.http.pressure import tell_waiting
from ebbmark_collector.own_door import OwnDoor
from ebbmark_collector.sd_notify import ServiceManager
from ebbmark_collector.settings import ServeSettings

_LOG = logging.getLogger(__name__)
_ACCEPTS = 64  # [1] connections taken at one look
_BUSY_FROM = 2  # [1] requests being answered
_GATHER_S = 0.001  # [s] between two looks at the connections while busy: each look costs as much as a request
_GATHER_EACH_S = 10e-6  # [s] more for each connection: the more there are, the dearer is a look


def split_listen(listen: str) -> tuple[str, int]:
    """Take HOST:PORT apart.

    Raises:
        ConfigurationError: When it is not of that form.
    """
    host, _, port = listen.rpartition(":")
    host = host.strip("[]")
    if not host or not port.isdigit() or int(port) > 65_535:
        raise ConfigurationError([f"serve.listen: {listen!r} is not HOST:PORT, as in 127.0.0.1:8460."])
    return host, int(port)


def is_loopback(host: str) -> bool:
    """Tell whether an address is reached from this machine only."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def check_listen(settings: ServeSettings) -> None:
    """Refuse plain HTTP beyond loopback unless the operator said so.

    Raises:
        ConfigurationError: When they did not.
    """
    host, _ = split_listen(settings.listen)
    if settings.tls_certificate_file is not None:
        return
    if not is_loopback(host) and not settings.plain_http_beyond_loopback:
        sentence = (
            f"serve.listen: {settings.listen} is plain HTTP beyond this machine; tokens would be readable. "
            "Set serve.tls_certificate_file, or put a TLS proxy in front and listen on 127.0.0.1, or say "
            "serve.plain_http_beyond_loopback = true if the network is closed."
        )
        raise ConfigurationError([sentence])


def collect_seldom() -> None:
    """Spare what start-up left from garbage collection, and look for garbage less often.

    Full collections over everything that was ever imported took a third of a small request's time.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 50)


def _settle() -> None:
    """Make the process ready to serve: few collections, and waiting threads have their turn sooner.

    The thread that commits gives the interpreter away at every statement; it shall not wait five milliseconds
    each time.
    """
    collect_seldom()
    sys.setswitchinterval(0.001)


def _accept_many(listener: BaseWSGIServer) -> None:
    """Let a listener take all who knock at each look; one a look is too slow when many come together."""
    accept_one = listener.handle_accept

    def accept_all() -> None:
        for _ in range(_ACCEPTS):
            before = len(listener._map)
            accept_one()
            if not before < len(listener._map) < listener.adj.connection_limit:
                return

    listener.handle_accept = accept_all


class Server:
    """A listening collector."""

    def __init__(self, app: Flask, settings: ServeSettings) -> None:
        check_listen(settings)
        host, port = split_listen(settings.listen)
        self._settings = settings
        proxy: dict[str, Any] = {}
        if settings.trusted_proxy:
            proxy = {
                "trusted_proxy": settings.trusted_proxy,
                "trusted_proxy_headers": {"x-forwarded-for", "x-forwarded-proto"},
                "trusted_proxy_count": 1,
            }
        try:
            self._server = create_server(
                app,
                host=host,
                port=port,
                threads=settings.threads,
                channel_timeout=settings.stalled_body_s,
                # One more than the application's own limit, so that the answer is a problem document.
                max_request_body_size=settings.max_body_bytes + 1_000_000,
                max_request_header_size=32_768,
                connection_limit=1_000,
                recv_bytes=65_536,  # by 8 kB a body would cost a look at every connection each time
                asyncore_use_poll=True,
                ident=None,
                clear_untrusted_proxy_headers=True,
                **proxy,
            )
        except OSError as error:
            raise ConfigurationError(
                [f"serve.listen: {settings.listen} cannot be used: {error.strerror or error}."]
            ) from error
        self._stopping = threading.Event()
        for listener in list(self._server._map.values()):
            if isinstance(listener, BaseWSGIServer):
                _accept_many(listener)
        tell_waiting(app, self._server.task_dispatcher.queue)

    @property
    def addresses(self) -> list[tuple[str, int]]:
        """Give what it really listens on."""
        if isinstance(self._server, MultiSocketServer):
            return [(str(host), int(port)) for host, port in self._server.effective_listen]
        return [(str(self._server.effective_host), int(self._server.effective_port))]

    def stop(self) -> None:
        """Ask for the end; `run` returns once requests in flight are answered."""
        self._stopping.set()

    def on_signals(self) -> None:
        """Let SIGTERM and SIGINT ask for the end. Only from the main thread."""
        for name in (signal.SIGTERM, signal.SIGINT):
            signal.signal(name, lambda *_: self.stop())

    def run(self, *, now_s: Callable[[], float], manager: ServiceManager) -> None:
        """Serve until asked to stop, then finish what has arrived.

        Args:
            now_s: A monotonic clock [s].
            manager: Who started the process and wants to know how it fares.
        """
        from waitress import wasyncore

        server = self._server
        _settle()
        manager.tell("READY=1", "STATUS=taking in reports")
        door = OwnDoor(*self.addresses[0])
        threading.Thread(target=door.watch, args=(manager, self._stopping), daemon=True).start()
        while not self._stopping.is_set():
            wasyncore.loop(timeout=0.25, use_poll=True, map=server._map, count=1)
            if server.task_dispatcher.active_count > _BUSY_FROM:
                self._stopping.wait(_GATHER_S + len(server._map) * _GATHER_EACH_S)
        manager.tell("STOPPING=1")
        self._close_listeners()
        deadline_s = now_s() + self._settings.stop_within_s
        while self._busy() and now_s() < deadline_s:
            wasyncore.loop(timeout=0.05, use_poll=True, map=server._map, count=1)
        if self._busy():
            _LOG.warning("requests were still running at the end of the time for stopping")
        server.task_dispatcher.shutdown(cancel_pending=True, timeout=2)
        wasyncore.close_all(server._map)

    def _close_listeners(self) -> None:
        for dispatcher in list(self._server._map.values()):
            if isinstance(dispatcher, BaseWSGIServer):
                dispatcher.accepting = False
                dispatcher.del_channel()
                dispatcher.socket.close()

    def _busy(self) -> bool:
        """Tell whether any connection has a request being read, run or answered."""
        for channel in list(self._server._map.values()):
            if getattr(channel, "requests", None):
                return True
            if getattr(channel, "request", None) is not None or getattr(channel, "total_outbufs_len", 0) > 0:
                return True
        return False

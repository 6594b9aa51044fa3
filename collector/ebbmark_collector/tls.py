"""Serving TLS without a proxy, by the extra `tls`: granian in a worker process, the rounds in this one.

1. The worker opens its own store: a database connection does not survive a fork, so processes are spawned.
2. TLS 1.2 is the least. Who connects and says nothing takes up one of some thousand connections, no thread:
   granian counts connections, not requests, against its limit, so the limit is as high as open files allow.
3. A body that stalls holds one of `tls_threads` until its caller goes: granian has no deadline for a body, a
   read of it cannot be called back, and an answer given meanwhile does not close the connection. Only callers
   with a token get that far (it is looked at before the body is read), except where a machine asks to become
   a host. Were all threads held so, `/live` would not be answered and the service manager would start anew.
"""

import multiprocessing
import socket
import ssl
import threading
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ebbmark_collector import logs
from ebbmark_collector.clock import Clock
from ebbmark_collector.errors import ConfigurationError
from ebbmark_collector.http.app import create_app
from ebbmark_collector.http.operation import Services
from ebbmark_collector.own_door import OwnDoor
from ebbmark_collector.sd_notify import ServiceManager
from ebbmark_collector.server import split_listen
from ebbmark_collector.settings import ServeSettings, Settings
from ebbmark_collector.store.opening import open_store

if TYPE_CHECKING:
    from flask import Flask

_TRY_EVERY_S = 0.1  # [s]
_MOST_CONNECTIONS = 8_000  # [1]
_OTHER_FILES = 200  # [1] files a process needs beside its connections


def check_certificate(settings: ServeSettings) -> None:
    """Read certificate and key as the server will.

    Raises:
        ConfigurationError: When one is missing, unreadable, or they are not a pair.
    """
    certificate, key = settings.tls_certificate_file, settings.tls_key_file
    if certificate is None or key is None:
        raise ConfigurationError(["serve: tls_certificate_file and tls_key_file go together."])
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key)
    except ssl.SSLError as error:
        raise ConfigurationError(
            [f"serve.tls_certificate_file: {certificate} and {key} are not a pair in PEM ({error.reason})."]
        ) from error
    except OSError as error:
        raise ConfigurationError(
            [f"serve.tls_certificate_file: {certificate} or {key} cannot be read: {error.strerror}."]
        ) from error


def _load(*, data: Path, settings: Settings, verbose: bool) -> "Flask":
    """Make the application inside the worker process."""
    logs.set_up(verbose=verbose)
    return create_app(Services(store=open_store(data, settings), clock=Clock(), settings=settings))


class TlsServer:
    """A collector that answers https itself."""

    def __init__(self, settings: Settings, *, data: Path, verbose: bool) -> None:
        check_certificate(settings.serve)
        try:
            from granian.constants import Interfaces, SSLProtocols
            from granian.http import HTTP1Settings
            from granian.server import Server
        except ModuleNotFoundError as error:
            raise ConfigurationError(
                ["serve.tls_certificate_file: TLS needs the extra; run: pip install 'ebbmark[collector,tls]'"]
            ) from error
        self._host, self._port = split_listen(settings.serve.listen)
        self._check_address(settings.serve)
        multiprocessing.set_start_method("spawn", force=True)
        self._loader = partial(_load, data=data, settings=settings, verbose=verbose)
        self._over = threading.Event()
        self._server: Any = Server(
            "ebbmark_collector",
            address=self._host,
            port=self._port,
            interface=Interfaces.WSGI,
            workers=1,
            blocking_threads=settings.serve.tls_threads,
            backpressure=_room_for_connections(),
            http1_settings=HTTP1Settings(header_read_timeout=settings.serve.stalled_body_s * 1_000),
            websockets=False,
            log_enabled=False,
            ssl_cert=settings.serve.tls_certificate_file,
            ssl_key=settings.serve.tls_key_file,
            ssl_protocol_min=SSLProtocols.tls12,
            workers_kill_timeout=settings.serve.stop_within_s,
        )

    def _check_address(self, settings: ServeSettings) -> None:
        if self._port == 0:
            raise ConfigurationError(["serve.listen: with TLS the port must be said, as in 0.0.0.0:8460."])
        try:
            family = socket.AF_INET6 if ":" in self._host else socket.AF_INET
            with socket.socket(family) as tried:
                tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                tried.bind((self._host, self._port))
        except OSError as error:
            raise ConfigurationError(
                [f"serve.listen: {settings.listen} cannot be used: {error.strerror or error}."]
            ) from error

    def run(self, *, manager: ServiceManager, listening: Callable[[str], None]) -> None:
        """Serve until SIGTERM or SIGINT; what has arrived is answered first.

        Args:
            manager: Who started the process and wants to know how it fares.
            listening: Told the address once the worker answers.
        """
        told = {"manager": manager, "listening": listening}
        watch = threading.Thread(target=self._watch, kwargs=told, daemon=True)
        self._server.on_startup(watch.start)
        try:
            self._server.serve(target_loader=self._loader, wrap_loader=False)
        finally:
            self._over.set()
            manager.tell("STOPPING=1")

    def _watch(self, *, manager: ServiceManager, listening: Callable[[str], None]) -> None:
        door = OwnDoor(self._host, self._port, with_tls=True)
        # The address is bound before the worker is there to answer.
        while not self._over.wait(_TRY_EVERY_S):
            if door.answers(within_s=1.0):
                break
        if self._over.is_set():
            return
        host = f"[{self._host}]" if ":" in self._host else self._host
        listening(f"https://{host}:{self._port}")
        manager.tell("READY=1", "STATUS=taking in reports")
        door.watch(manager, self._over)


def _room_for_connections() -> int:
    """Give how many connections may be open at once, after asking for as many files as one may have."""
    try:
        import resource
    except ModuleNotFoundError:  # not on Windows, which has no such limit
        return _MOST_CONNECTIONS
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = _MOST_CONNECTIONS + _OTHER_FILES
    files = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
    if soft < files:
        resource.setrlimit(resource.RLIMIT_NOFILE, (files, hard))
    return max(128, max(soft, files) - _OTHER_FILES)


def asked_for(settings: ServeSettings) -> bool:
    """Tell whether the collector is to answer https itself."""
    return settings.tls_certificate_file is not None or settings.tls_key_file is not None

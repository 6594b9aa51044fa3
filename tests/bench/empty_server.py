"""What the intake is held against: an empty Flask view behind the collector's own server, its body read.

Run as `python -m tests.bench.empty_server`; prints where it listens.
"""

import time

from ebbmark_collector.sd_notify import ServiceManager
from ebbmark_collector.server import Server
from ebbmark_collector.settings import ServeSettings
from flask import Flask, Response, request


def main() -> None:
    """Serve until told to stop."""
    app = Flask("empty")

    @app.post("/empty")
    def empty() -> Response:
        request.get_data(cache=False)
        return Response(b"{}", content_type="application/json")

    server = Server(app, ServeSettings(listen="127.0.0.1:0"))
    server.on_signals()
    host, port = server.addresses[0]
    print(f"listening on http://{host}:{port}", flush=True)
    server.run(now_s=time.monotonic, manager=ServiceManager({}))


if __name__ == "__main__":
    main()

"""A service on a thread of its own, for measuring and for tests."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import uvicorn

from server.config import Settings
from server.http.app import create_app
from server.http.connections import CountingListener
from server.security import own_hosts
from server.service.service import Service
from server.start import ServeOptions, listening_socket, server_config

START_S = 30.0


@contextmanager
def running(
    service: Service,
    options: ServeOptions,
    settings: Settings,
    sock: CountingListener | None = None,
) -> Iterator[str]:
    """Serve on loopback while the context lasts; yields the address.

    sock: one that listens on loopback already.
    """
    sock = sock or listening_socket("127.0.0.1", settings.port)
    port = int(sock.getsockname()[1])
    scheme = "https" if options.cert is not None else "http"
    service.address = f"{scheme}://127.0.0.1:{port}"
    hosts = own_hosts("127.0.0.1", options.hosts)
    app = create_app(
        service,
        hosts=lambda: hosts,
        port=lambda: port,
        metrics=options.metrics,
        connections=sock.connections,
    )
    server = uvicorn.Server(server_config(app, options))
    thread = threading.Thread(
        target=lambda: asyncio.run(server.serve(sockets=[sock])), name="service", daemon=True
    )
    thread.start()
    end = time.monotonic() + START_S
    while not server.started:
        if not thread.is_alive() or time.monotonic() > end:
            raise RuntimeError("expected a running service, got none")
        time.sleep(0.01)
    try:
        yield service.address
    finally:
        server.should_exit = True
        thread.join(START_S)
        sock.close()

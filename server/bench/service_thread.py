"""A service on a thread of its own, for measuring and for tests."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from server.config import Settings
from server.http.app import create_app
from server.security import own_hosts
from server.service.maker import ServeOptions
from server.service.service import Service
from server.start import Listener, TellingServer, listen, make_service, server_config

START_S = 30.0


@contextmanager
def serving(
    options: ServeOptions, settings: Settings, *, listener: Listener | None = None, **more: Any
) -> Iterator[Service]:
    """Make a service and serve it on loopback while the context lasts.

    listener: one that listens on loopback already. more: what else `make_service` is told.
    `service.address` says where it is.
    """
    listener = listener or listen("127.0.0.1", settings.port, secure=options.cert is not None)
    try:
        service = make_service(options, settings, listener.address, **more)
        with _running(service, options, listener):
            yield service
    finally:
        listener.socket.close()


@contextmanager
def _running(service: Service, options: ServeOptions, listener: Listener) -> Iterator[None]:
    hosts, port = own_hosts("127.0.0.1", options.hosts), listener.port
    app = create_app(
        service,
        hosts=lambda: hosts,
        port=lambda: port,
        metrics=options.metrics,
        connections=listener.socket.connections,
    )
    told = threading.Event()
    server = TellingServer(server_config(app, options), told.set)

    def serve() -> None:
        try:
            asyncio.run(server.serve(sockets=[listener.socket]))
        finally:
            told.set()

    thread = threading.Thread(target=serve, name="service", daemon=True)
    thread.start()
    try:
        if not told.wait(START_S) or not server.started:
            raise RuntimeError("expected a running service, got none")
        yield
    finally:
        server.should_exit = True
        thread.join(START_S)

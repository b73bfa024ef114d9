"""Clients that mean no good, many at once, in a process of their own.

Usage: python -m tests.attack.crowd '{"address": …, "cookies": […], "count": 50}'; it goes on until
its standard input ends and then prints what it has done as JSON. Traffic goes to loopback only, at
bounded rates.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
import sys
from collections import Counter
from collections.abc import Awaitable, Callable
from typing import Any
from urllib.parse import urlsplit

from websockets.asyncio.client import ClientConnection, connect
from websockets.exceptions import WebSocketException

from server.wire.protocol import PROTOCOL, unpack_header

NOTES_PER_S, SAMPLES_PER_S, FLICKERS_PER_S = 60, 20, 30
BACK_AFTER_S = 1.0
HUGE = [0, 0, 4096, 4096]
FLICKER: list[dict[str, Any]] = [
    {"type": "hidden", "hidden": True},
    {"type": "hidden", "hidden": False},
    {"type": "reset"},
    {"type": "follow", "on": False},
    {"type": "transport", "step": 7},
    {"type": "show", "name": "composite", "width": 960},
    {"type": "show", "name": "matte", "width": 960},
    {"type": "follow", "on": True},
]


class Crowd:
    """The clients; each comes back a moment after it was put out."""

    def __init__(self, address: str, cookies: list[str]) -> None:
        self.address, self.cookies = address, cookies
        self.done: Counter[str] = Counter()

    async def run(self, count: int, until: Awaitable[Any]) -> None:
        """Run `count` clients of all kinds until something ends."""
        kinds = (self.stalled, self.notes, self.samples, self.half_open, self.flicker)
        tasks = [asyncio.ensure_future(self._again(kinds[n % len(kinds)], n)) for n in range(count)]
        try:
            await until
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _again(self, kind: Callable[[int], Awaitable[None]], number: int) -> None:
        while True:
            with contextlib.suppress(OSError, WebSocketException, TimeoutError, EOFError):
                await kind(number)
            self.done["put out"] += 1
            await asyncio.sleep(BACK_AFTER_S)

    def _stream(self, number: int, **options: Any) -> connect:
        return connect(
            f"{self.address.replace('http', 'ws', 1)}/ws",
            origin=self.address,  # type: ignore[arg-type]
            additional_headers={"cookie": self.cookies[number % len(self.cookies)]},
            compression=None,
            close_timeout=1,
            max_size=None,
            **options,
        )

    async def _hello(self, socket: ClientConnection, number: int) -> None:
        hello = {"type": "hello", "protocol": PROTOCOL, "client": f"bad-{number}"}
        await socket.send(json.dumps(hello))
        await self._send(socket, {"type": "show", "name": "composite", "width": 960})

    async def _send(self, socket: ClientConnection, message: dict[str, Any]) -> None:
        await socket.send(json.dumps(message))
        self.done["messages sent"] += 1

    async def _read(self, socket: ClientConnection) -> None:
        async for message in socket:
            if isinstance(message, bytes):
                header, _ = unpack_header(message)
                await socket.send(json.dumps({"type": "ack", "sequence": header.sequence}))
                self.done["pictures seen"] += 1
            elif '"code":"rate"' in message[:60]:
                self.done["told that it is too much"] += 1

    async def stalled(self, number: int) -> None:
        """Come in, ask for pictures, and read nothing any more."""
        async with self._stream(number, max_queue=1) as socket:
            await self._hello(socket, number)
            await socket.wait_closed()

    async def _flood(
        self, number: int, per_s: float, make: Callable[[int], dict[str, Any]]
    ) -> None:
        async with self._stream(number) as socket:
            await self._hello(socket, number)
            reading = asyncio.ensure_future(self._read(socket))
            try:
                for n in itertools.count():
                    await self._send(socket, make(n))
                    await asyncio.sleep(1 / per_s)
            finally:
                reading.cancel()

    async def notes(self, number: int) -> None:
        """Pin notes without end."""
        await self._flood(
            number,
            NOTES_PER_S,
            lambda n: {"type": "note_add", "frame": 1001, "x": 1, "y": 1, "text": "n" * 1000},
        )

    async def samples(self, number: int) -> None:
        """Have the whole frame measured without end."""
        await self._flood(
            number,
            SAMPLES_PER_S,
            lambda n: {"type": "sample", "id": f"s{n}", "name": "composite", "box": HUGE},
        )

    async def flicker(self, number: int) -> None:
        """Look here and there, hide, come back, follow and run away."""
        await self._flood(number, FLICKERS_PER_S, lambda n: FLICKER[n % len(FLICKER)])

    async def half_open(self, _: int) -> None:
        """Begin a request and never end it."""
        parts = urlsplit(self.address)
        reader, writer = await asyncio.open_connection(parts.hostname, parts.port)
        try:
            writer.write(b"GET / HTTP/1.1\r\nHost:")
            await reader.read()
        finally:
            writer.close()


async def main(order: dict[str, Any]) -> None:
    """Be a nuisance until the standard input ends."""
    crowd = Crowd(order["address"], order["cookies"])
    loop = asyncio.get_running_loop()
    await crowd.run(order["count"], loop.run_in_executor(None, sys.stdin.read))
    print(json.dumps(crowd.done), flush=True)


if __name__ == "__main__":
    asyncio.run(main(json.loads(sys.argv[1])))

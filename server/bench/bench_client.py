"""The pages of the service's benchmark, in a process of their own as browsers are.

Driven by `Pages`: one line of JSON on the standard input for each order, one on the standard output
for each answer. Pages acknowledge pictures at once.
"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from websockets.asyncio.client import ClientConnection, connect

from server.wire.protocol import PROTOCOL, Flag, PictureHeader, unpack_header


class Page:
    """One page: counts pictures, acknowledges at once."""

    def __init__(self, socket: ClientConnection) -> None:
        self.socket = socket
        self.headers: list[PictureHeader] = []
        self.changes = 0

    async def send(self, **message: Any) -> None:
        await self.socket.send(json.dumps(message))

    async def change(self, gain: float) -> None:
        """Send one change of a drag, under a number of its own."""
        self.changes += 1
        await self.send(
            type="write",
            client_seq=self.changes,
            seen=10**9,
            gesture="bench",
            moving=True,
            ops=[{"op": "set", "path": "extractors/core/gain", "value": gain}],
        )

    async def text(self, kind: str) -> dict[str, Any]:
        """Wait for a message of a kind."""
        while True:
            got = await self.receive()
            if isinstance(got, dict) and got["type"] == kind:
                return got

    async def receive(self) -> dict[str, Any] | PictureHeader:
        """Wait for whatever comes next."""
        async with asyncio.timeout(60):  # wait_for of Python 3.11 can swallow a cancellation
            message = await self.socket.recv()
        if isinstance(message, str):
            text: dict[str, Any] = json.loads(message)
            return text
        header, _ = unpack_header(message)
        self.headers.append(header)
        await self.send(type="ack", sequence=header.sequence)
        return header

    async def picture(self, revision: int, *, rest: bool) -> PictureHeader:
        """Wait for a picture of at least a revision; at rest when asked."""
        while True:
            got = await self.receive()
            if (
                isinstance(got, PictureHeader)
                and got.revision >= revision
                and not (rest and got.flags & Flag.MOVING)
            ):
                return got

    async def changed(self, gain: float) -> PictureHeader:
        """Send a change and return the first picture that shows it."""
        await self.change(gain)
        revision, header = None, None
        while True:
            got = await self.receive()
            if isinstance(got, PictureHeader):
                header = got
            elif got["type"] == "accepted" and got["client_seq"] == self.changes:
                revision = got["revision"]
            if header is not None and revision is not None and header.revision >= revision:
                return header


class Client:
    """Carries out orders on its pages."""

    def __init__(self) -> None:
        self.pages: list[Page] = []
        self._listening: list[asyncio.Task[None]] = []

    async def obey(self, do: str, **order: Any) -> Any:
        """Carry out one order."""
        return await getattr(self, f"do_{do}")(**order)

    async def do_open(self, address: str, cookie: str, name: str, width: int) -> None:
        """Open a page that shows the composite; the first one waits for its picture at rest."""
        socket = await connect(
            f"{address.replace('http', 'ws', 1)}/ws",
            origin=address,  # type: ignore[arg-type]
            additional_headers={"cookie": cookie},
            compression=None,
            close_timeout=1,
            max_size=None,
        )
        page = Page(socket)
        await page.send(type="hello", protocol=PROTOCOL, client=name)
        await page.text("welcome")
        await page.send(type="show", name="composite", width=width)
        if not self.pages:
            await page.picture(0, rest=True)
        self.pages.append(page)

    async def do_drag(self, changes: int, rests: int) -> dict[str, Any]:
        """Change a value again and again, each as soon as the last was seen; rest now and then."""
        page, moving, resting = self.pages[0], [], []
        headers: list[PictureHeader] = []
        for n in range(changes):
            start = time.perf_counter()
            headers.append(await page.changed(1 + n / 1000))
            moving.append(time.perf_counter() - start)
            if n % (changes // rests) == 0:
                header = headers[-1]
                if header.flags & Flag.MOVING:
                    header = await page.picture(header.revision, rest=True)
                resting.append((header.render_us + header.encode_us) / 1e6)
        return {
            "moving": moving,
            "rest": resting,
            "render": [header.render_us / 1e6 for header in headers],
            "encode": [header.encode_us / 1e6 for header in headers],
            "drafts": sum(bool(header.flags & Flag.DRAFT) for header in headers),
        }

    async def do_change_at(self, rate: float, seconds: float) -> dict[str, Any]:
        """Send changes at a rate; return how many were sent and how many pictures came."""
        page = self.pages[0]
        page.headers.clear()
        listening = asyncio.create_task(_listen(page))
        start, sent = time.perf_counter(), 0
        while (now := time.perf_counter() - start) < seconds:
            await page.change(1 + (sent % 500) / 1000)
            sent += 1
            await asyncio.sleep(max(0.0, sent / rate - now))
        listening.cancel()
        await asyncio.gather(listening, return_exceptions=True)
        return {"sent": sent, "pictures": len(page.headers)}

    async def do_play(self, seconds: float) -> dict[str, Any]:
        """Play on all pages; return the pictures of each, and how many the first one was shown.

        The first second is not counted.
        """
        listening = [asyncio.create_task(_listen(page)) for page in self.pages]
        await self.pages[0].send(type="transport", playing=True, fps=24)
        await asyncio.sleep(1.0)
        for page in self.pages:
            page.headers.clear()
        await asyncio.sleep(seconds)
        counts = [len(page.headers) for page in self.pages]
        shown = len({(h.frame, h.sequence) for h in self.pages[0].headers})
        for task in listening:
            task.cancel()
        await asyncio.gather(*listening, return_exceptions=True)
        await self.pages[0].send(type="transport", playing=False)
        return {"counts": counts, "shown": shown}

    async def do_close(self) -> None:
        """Close all pages."""
        await asyncio.gather(*(page.socket.close() for page in self.pages))


async def _listen(page: Page) -> None:
    """Receive and acknowledge until cancelled."""
    while True:
        await page.receive()


class Pages:
    """The process with the pages, from the outside; raises RuntimeError with what failed there."""

    def __init__(self, address: str, cookie_for: Callable[[str, str], str]) -> None:
        """cookie_for: makes the cookie of a role and a name."""
        self._address, self._cookie_for = address, cookie_for
        self._process = subprocess.Popen(
            [sys.executable, "-m", "server.bench.bench_client"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def __enter__(self) -> Pages:
        return self

    def __exit__(self, *_: object) -> None:
        with suppress(RuntimeError, OSError):
            self.ask("close")
        self._process.communicate(timeout=20)

    def open(self, role: str, name: str, width: int) -> None:
        """Open a page."""
        cookie = self._cookie_for(role, name)
        self.ask("open", address=self._address, cookie=cookie, name=name, width=width)

    def ask(self, do: str, **order: Any) -> Any:
        """Give an order and wait for its answer."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps({"do": do, **order}) + "\n")
        self._process.stdin.flush()
        line = self._process.stdout.readline()
        answer = json.loads(line) if line else {"error": "its process ended"}
        if "error" in answer:
            raise RuntimeError(f"the benchmark's pages: {answer['error']}")
        return answer["result"]


async def _main() -> None:
    client = Client()
    loop = asyncio.get_running_loop()
    while line := await loop.run_in_executor(None, sys.stdin.readline):
        try:
            answer = {"result": await client.obey(**json.loads(line))}
        except Exception as error:
            answer = {"error": repr(error)}
        print(json.dumps(answer), flush=True)


if __name__ == "__main__":
    asyncio.run(_main())

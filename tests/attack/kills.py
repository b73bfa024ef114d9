"""Killing the service while an operator writes: what is lost, and which files are broken."""

from __future__ import annotations

import json
import random
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
from websockets.sync.client import ClientConnection, connect

from kernels.recipe_file import RecipeError, load_recipe
from server.editing.notes import NoteBoard
from server.wire.protocol import PROTOCOL
from tests.web.running import Running, start_command

WRITE_EVERY_S = 0.02
NOTE_EVERY = 40


@dataclass
class Kills:
    """What came of all kills."""

    lost_ms: list[float] = field(default_factory=list)
    """for each kill, how long before it the oldest edit was accepted that was lost; 0: none was"""
    lost_edits: list[int] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)
    torn_lines: int = 0
    """histories whose last line was cut: left out when they are read"""


def cookie_of(link: str, name: str = "") -> str:
    """Redeem a link; returns the Cookie header."""
    address, token = link.split("/join#")
    answer = httpx.post(
        f"{address}/api/join",
        json={"token": token, "name": name},
        headers={"origin": address},
        timeout=60,
    )
    answer.raise_for_status()
    return str(answer.headers["set-cookie"].split(";")[0])


def kill_often(shot: Path, folder: Path, count: int, seed: int = 1) -> Kills:
    """Start, edit, kill at a random moment, look at the files; `count` times on one recipe."""
    rng, found = random.Random(seed), Kills()
    recipe = folder / "key.json"
    arguments = ("serve", str(shot), "--port", "0", "--threads", "1", "--recipe", str(recipe))
    for n in range(count):
        running = start_command(*arguments, "--renders", str(folder / "r"), data=folder / "data")
        try:
            accepted, killed_at = _edit_and_kill(running, n, rng.uniform(0.2, 2.0))
        finally:
            running.stop(kill=True)
        _look(recipe, accepted, killed_at, found)
    return found


def _edit_and_kill(running: Running, number: int, after_s: float) -> tuple[list[float], float]:
    """Write until `after_s` have gone by; returns when each write was accepted, and the kill."""
    address, cookie = running.address, cookie_of(running.operators[0])
    accepted: list[float] = []
    with connect(
        f"{address.replace('http', 'ws', 1)}/ws",
        origin=address,  # type: ignore[arg-type]
        additional_headers={"cookie": cookie},
        compression=None,
        close_timeout=1,
    ) as socket:
        socket.send(json.dumps({"type": "hello", "protocol": PROTOCOL, "client": f"k{number}"}))
        _until(socket, "welcome")
        end = time.monotonic() + after_s
        while time.monotonic() < end:
            n = len(accepted)
            _write(socket, n, f"{number}:{n}")
            if n % NOTE_EVERY == 0:
                note = {"type": "note_add", "frame": 1001, "x": 1, "y": 1, "text": "n"}
                socket.send(json.dumps(note))
            answer = _until(socket, "accepted", "refused")
            assert answer["type"] == "accepted", answer
            accepted.append(time.monotonic())
            time.sleep(WRITE_EVERY_S)
        running.process.kill()
        return accepted, time.monotonic()


def _write(socket: ClientConnection, n: int, name: str) -> None:
    ops = [{"op": "set", "path": "name", "value": name}]
    message = {"type": "write", "client_seq": n + 1, "seen": 10**9, "ops": ops}
    socket.send(json.dumps({**message, "gesture": f"g{name.split(':')[0]}-{n // 40}"}))


def _until(socket: ClientConnection, *kinds: str) -> dict[str, Any]:
    while True:
        message = socket.recv(60)
        if isinstance(message, str):
            told: dict[str, Any] = json.loads(message)
            if told["type"] in kinds:
                return told


def _look(recipe: Path, accepted: list[float], killed_at: float, found: Kills) -> None:
    """Compare what is on disk with what was accepted."""
    last = -1
    try:
        number, _, n = load_recipe(recipe).name.partition(":")
        if int(number or -1) == len(found.lost_ms):
            last = int(n)
    except (RecipeError, ValueError) as error:
        found.broken.append(f"{recipe.name}: {error}")
    lost = accepted[last + 1 :]
    found.lost_edits.append(len(lost))
    found.lost_ms.append(1000 * (killed_at - lost[0]) if lost else 0.0)
    lines = recipe.with_name("key.history.jsonl").read_bytes().splitlines()
    for at, line in enumerate(lines):
        try:
            json.loads(line)
        except ValueError:
            found.torn_lines += 1
            if at < len(lines) - 1:
                found.broken.append(f"line {at} of the history")
    notes = recipe.with_suffix(".notes.json")
    if notes.exists():
        NoteBoard(notes).close()
        if not notes.exists():
            found.broken.append(notes.name)

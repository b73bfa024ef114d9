"""The service under attack, measured: how a good page fares, what a kill costs, what grows.

Usage: python -m tests.attack.battery [--minutes 30] [--seconds 30] [--kills 200] [--only abc]
       [--json FILE]

a: rate of playback and latency of a drag for one operator, quiet, then with 50 clients that mean no
good (`tests.attack.crowd`). b: kills at random moments while an operator writes
(`tests.attack.kills`). c: memory of the service while three pages edit and play for `--minutes`.
The real service runs in a process of its own, clients in others, all on this machine and loopback.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from kernels.recipe_file import save_recipe
from server.bench.bench_client import Client, Pages
from server.bench.bench_service import bench_recipe
from server.media import write_exr
from server.timing import percentile
from tests.attack.kills import cookie_of, kill_often
from tests.web.running import ROOT, Running, start_command

WIDTH, HEIGHT, FRAMES = 640, 360, 48
SHOWN = 640
BAD_CLIENTS, DEVICES = 50, 5
CHANGES = 50
"""in a piece of dragging; pieces follow each other until the time is over"""
Figures = dict[str, Any]


def make_shot(folder: Path) -> Path:
    """Write a shot of a box that moves before a green screen; returns its pattern."""
    folder.mkdir(parents=True, exist_ok=True)
    noise = np.random.default_rng(3).normal(0, 0.003, (3, HEIGHT, WIDTH)).astype(np.float32)
    for n in range(FRAMES):
        image = np.ones((4, HEIGHT, WIDTH), np.float32)
        image[:3] = np.array([0.05, 0.35, 0.07], np.float32)[:, None, None]
        image[:3, 60:300, 40 + 6 * n : 200 + 6 * n] = 0.4
        image[:3] += noise
        write_exr(folder / f"box.{1001 + n}.exr", {"": image}, interop_id="lin_ap1_scene")
    return folder / "box.####.exr"


@contextmanager
def service(shot: Path, folder: Path) -> Iterator[Running]:
    """Run the service in a process of its own."""
    recipe = folder / "key.json"
    folder.mkdir(parents=True, exist_ok=True)
    save_recipe(bench_recipe(), recipe)
    arguments = ("serve", str(shot), "--port", "0", "--threads", "1", "--recipe", str(recipe))
    running = start_command(*arguments, "--renders", str(folder / "r"), data=folder / "data")
    try:
        yield running
    finally:
        running.stop()


# ---------------------------------------------------------------- a: the good page


def under_attack(shot: Path, folder: Path, seconds: float, count: int = BAD_CLIENTS) -> Figures:
    """Return the good page's rate and latencies, quiet and with the bad ones."""
    with service(shot, folder) as running:
        links = {"operator": running.operators[0], "reviewer": running.reviewer}
        with Pages(running.address, lambda role, name: cookie_of(links[role], name)) as pages:
            pages.open("operator", "good", SHOWN)
            quiet = _good(pages, seconds)
            with _crowd(running, count) as done:
                attacked = _good(pages, seconds)
    return {"quiet": quiet, "attacked": attacked, "clients": count, "they": done}


def _good(pages: Pages, seconds: float) -> Figures:
    played = pages.ask("play", seconds=seconds)["counts"][0]
    moving: list[float] = []
    end = time.monotonic() + seconds
    while time.monotonic() < end or not moving:
        moving += pages.ask("drag", changes=CHANGES, rests=1)["moving"]
    return {
        "pictures_per_s": round(played / seconds, 2),
        "drags": len(moving),
        "drag_p50_ms": round(1000 * percentile(moving, 50), 1),
        "drag_p99_ms": round(1000 * percentile(moving, 99), 1),
    }


@contextmanager
def _crowd(running: Running, count: int) -> Iterator[Figures]:
    """Run the bad clients; what they did is in the yielded figures afterwards."""
    cookies = [cookie_of(running.reviewer, f"bad {n}") for n in range(DEVICES)]
    order = {"address": running.address, "cookies": cookies, "count": count}
    done: Figures = {}
    with subprocess.Popen(
        [sys.executable, "-m", "tests.attack.crowd", json.dumps(order)],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            yield done
            out, _ = process.communicate("", timeout=60)
            done |= json.loads(out)
        finally:
            process.kill()


# ---------------------------------------------------------------- b: kills


def killed(shot: Path, folder: Path, count: int) -> Figures:
    """Return what kills at random moments cost."""
    folder.mkdir(parents=True, exist_ok=True)
    found = kill_often(shot, folder, count)
    return {
        "kills": count,
        "lost_ms_p50": round(percentile(found.lost_ms, 50), 1),
        "lost_ms_most": round(max(found.lost_ms), 1),
        "lost_edits_most": max(found.lost_edits),
        "broken": found.broken,
        "torn_last_lines": found.torn_lines,
    }


# ---------------------------------------------------------------- c: memory


def resident_mb(process: int) -> float:
    """Return the memory of a process and those it started, pages shared between them shared out."""
    total = 0
    for one in (process, *_children(process)):
        try:
            text = Path(f"/proc/{one}/smaps_rollup").read_text()
        except OSError:
            continue
        total += sum(int(line.split()[1]) for line in text.splitlines() if line[:4] == "Pss:")
    return total / 1024


def _children(process: int) -> list[int]:
    found: list[int] = []
    for task in Path(f"/proc/{process}/task").glob("*/children"):
        for child in map(int, task.read_text().split()):
            found += [child, *_children(child)]
    return found


def grown(shot: Path, folder: Path, minutes: float) -> Figures:
    """Return the service's memory while three pages edit and play."""
    with service(shot, folder) as running:
        cookies = [cookie_of(running.operators[0], "one")]
        cookies += [cookie_of(running.reviewer, name) for name in ("two", "three")]
        return asyncio.run(_three_pages(running, cookies, minutes))


async def _three_pages(running: Running, cookies: list[str], minutes: float) -> Figures:
    client = Client()
    for n, cookie in enumerate(cookies):
        await client.do_open(running.address, cookie, f"page-{n}", SHOWN)
    start, figures = time.monotonic(), [(0.0, resident_mb(running.process.pid))]
    rounds = 0
    while (now := time.monotonic() - start) < 60 * minutes or rounds < 4:
        await client.do_play(2.0)
        await client.pages[1].send(type="note_add", frame=1001, x=1, y=1, text=f"round {rounds}")
        note = (await client.pages[1].text("note"))["note"]["note"]
        await client.pages[1].send(type="note_remove", note=note)
        await client.do_change_at(20, 3.0)
        rounds += 1
        figures.append((now / 60, resident_mb(running.process.pid)))
    settled = min(5.0, minutes / 3)
    early = [mb for at, mb in figures if at >= settled][: max(1, len(figures) // 10)]
    late = [mb for _, mb in figures][-len(early) :]
    await client.do_close()
    return {
        "minutes": minutes,
        "rounds": rounds,
        "changes": client.pages[0].changes,
        "settled_after_min": round(settled, 1),
        "settled_mb": round(float(np.median(early)), 1),
        "end_mb": round(float(np.median(late)), 1),
        "growth_mb": round(float(np.median(late) - np.median(early)), 1),
        "by_minute_mb": [round(mb, 1) for _, mb in figures[:: max(1, len(figures) // 12)]],
    }


# ---------------------------------------------------------------- all


def table(found: Figures) -> str:
    """Return the figures as lines of a table."""
    lines = []
    for part, figures in found.items():
        for name, value in figures.items():
            inner = value.items() if isinstance(value, dict) else [("", value)]
            lines += [f"| {part} | {name} {key}".rstrip() + f" | {v} |" for key, v in inner]
    return "\n".join(["| part | what | measured |", "| --- | --- | --- |", *lines])


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="The service under attack, measured.")
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--only", default="abc")
    parser.add_argument("--json", type=Path)
    given = parser.parse_args()
    found: Figures = {"machine": {"cores": os.cpu_count(), "load before": os.getloadavg()[0]}}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        shot = make_shot(folder / "shot")
        if "a" in given.only:
            found["attack"] = under_attack(shot, folder / "a", given.seconds)
        if "b" in given.only:
            found["kills"] = killed(shot, folder / "b", given.kills)
        if "c" in given.only:
            found["memory"] = grown(shot, folder / "c", given.minutes)
    found["machine"]["load after"] = os.getloadavg()[0]
    print(table(found))
    if given.json:
        given.json.write_text(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()

"""Starting the real service in a process of its own."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

from demo_media.demo import DemoPaths

HERE = Path(__file__).parent
ROOT = HERE.parent.parent


@dataclass
class Running:
    """A service that runs."""

    process: subprocess.Popen[str]
    given: dict[str, str]
    address: str
    reviewer: str
    operators: list[str] = field(default_factory=list)

    def operator(self) -> str:
        """An unused operator's link."""
        return self.operators.pop()

    def stop(self, kill: bool = False) -> None:
        """End the process."""
        if self.process.poll() is None:
            (self.process.kill if kill else self.process.terminate)()
        self.process.wait(30)
        for pipe in (self.process.stdout, self.process.stderr):
            if pipe is not None:
                pipe.close()


def start(given: dict[str, str]) -> Running:
    """Start the service and wait until it can be reached."""
    process = subprocess.Popen(
        [sys.executable, str(HERE / "serve.py"), json.dumps(given)],
        cwd=ROOT,
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert process.stdout is not None
    line = process.stdout.readline()
    if not line:
        process.kill()
        process.wait()
        process.stdout.close()
        raise RuntimeError("the service did not start")
    links = json.loads(line)
    return Running(process, given, links["address"], links["reviewer"], links["operator"])


def start_command(*arguments: str, data: Path) -> Running:
    """Start `verdigris` itself and read the links that it prints."""
    process = subprocess.Popen(
        [sys.executable, "-c", "from server.cli import main; main()", *arguments],
        cwd=ROOT,
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env={
            **os.environ,
            "PYTHONPATH": str(ROOT),
            "PYTHONUNBUFFERED": "1",
            "VERDIGRIS_DATA_DIR": str(data),
            "VERDIGRIS_CACHE_DIR": str(data / "cache"),
            "VERDIGRIS_HOST_MEMORY_MB": "256",
            "VERDIGRIS_ENGINE": "cpu",
        },
    )
    assert process.stdout is not None
    links: dict[str, str] = {}
    for line in process.stdout:
        for role in ("operator", "reviewer"):
            if line.startswith(role):
                links[role] = line.split()[-1]
        if len(links) == 2:
            break
    else:
        raise RuntimeError("the program did not print its links")
    address = links["operator"].split("/join")[0]
    return Running(process, {}, address, links["reviewer"], [links["operator"]])


def options(demo: DemoPaths, data: Path, port: int = 0) -> dict[str, str]:
    """What `serve.py` needs to serve the demo shot."""
    return {
        "shot": str(demo.shot),
        "data": str(data),
        "port": str(port),
        "clean_plate": str(demo.clean_plate),
        "background": str(demo.background),
    }


def free_port() -> int:
    """Return a port that nobody listens on just now."""
    with contextlib.closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])

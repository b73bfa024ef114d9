"""kill -9: what was edited more than a moment ago is on disk, renders leave nothing broken."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import OpenEXR
import pytest
from websockets.sync.client import connect

from kernels.recipe import starting_recipe
from kernels.recipe_file import load_recipe
from server.editing.recipes_store import REVISIONS_APART, SAVE_AFTER_S, RecipeStore
from server.editing.session import RecipeSession
from server.service.maker import UNSAVED
from server.wire.messages import SetOp, Write
from server.wire.protocol import PROTOCOL
from tests.server.conftest import Live, write_shot

pytestmark = pytest.mark.skipif(os.name != "posix", reason="kill -9 is a POSIX matter")


@contextmanager
def process(folder: Path, shot: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Run `verdigris serve` and yield it with the operator's link."""
    environment = {
        **os.environ,
        "VERDIGRIS_DATA_DIR": str(folder / "data"),
        "VERDIGRIS_CACHE_DIR": str(folder / "cache"),
        "PYTHONUNBUFFERED": "1",
    }
    command = [
        sys.executable,
        "-m",
        "server.cli",
        "serve",
        str(shot),
        "--port",
        "0",
        "--engine",
        "cpu",
        "--threads",
        "1",
        "--recipe",
        str(folder / "key.json"),
        "--renders",
        str(folder / "renders"),
    ]
    with subprocess.Popen(
        command, env=environment, stdout=subprocess.PIPE, text=True, start_new_session=True
    ) as child:
        try:
            assert child.stdout is not None
            link = next(line for line in child.stdout if line.startswith("operator"))
            yield child, link.split()[-1]
        finally:
            if child.poll() is None:
                os.killpg(child.pid, signal.SIGKILL)


def gain_in(path: Path) -> float:
    """Return the first extractor's gain in a saved recipe."""
    return float(load_recipe(path).extractors[0].gain)  # type: ignore[union-attr]


def come_in(link: str) -> tuple[str, str]:
    """Redeem the link; returns the address and the cookie."""
    address, token = link.split("/join#")
    answer = httpx.post(f"{address}/api/join", json={"token": token}, headers={"origin": address})
    return address, answer.headers["set-cookie"].split(";")[0]


def test_killing_the_service_loses_at_most_a_second_and_breaks_no_file(tmp_path: Path) -> None:
    """Source: EXR files read back by the OpenEXR project's own Python module."""
    shot = write_shot(tmp_path / "media", frames=range(1001, 1040))
    accepted = 1.0
    with process(tmp_path, shot) as (child, link):
        address, cookie = come_in(link)
        with connect(
            f"{address.replace('http', 'ws', 1)}/ws",
            origin=address,
            additional_headers={"cookie": cookie},
        ) as socket:
            socket.send(json.dumps({"type": "hello", "protocol": PROTOCOL, "client": "k"}))
            state = json.loads(socket.recv(10))["state"]
            extractor = state["recipe"]["extractors"][0]["id"]
            socket.send(
                json.dumps(
                    {"type": "job_start", "id": "r", "kind": "render", "options": {"name": "out"}}
                )
            )
            n, rendered, on_disk = 0, False, 1.0
            while not rendered or on_disk == 1.0 or n < 60:
                n += 1
                value = 1 + n / 1000
                socket.send(
                    json.dumps(
                        {
                            "type": "write",
                            "client_seq": n,
                            "seen": 10**9,
                            "gesture": f"g{n // 40}",
                            "ops": [
                                {
                                    "op": "set",
                                    "path": f"extractors/{extractor}/gain",
                                    "value": value,
                                }
                            ],
                        }
                    )
                )
                while (answer := json.loads(socket.recv(10)))["type"] != "accepted":
                    rendered = rendered or answer.get("done", 0) > 2
                accepted = value
                on_disk = gain_in(tmp_path / "key.json")
            os.kill(child.pid, signal.SIGKILL)
            child.wait()
    saved = gain_in(tmp_path / "key.json")
    assert 1.0 < on_disk <= saved <= accepted, "saved while the drag went on, and whole"
    assert SAVE_AFTER_S < 1
    files = [f for f in (tmp_path / "renders" / "out").iterdir() if not f.name.startswith(".")]
    assert len(files) >= 2
    for file in files:
        assert "RGBA" in OpenEXR.File(str(file)).channels()
    with process(tmp_path, shot) as (_, link):
        address, cookie = come_in(link)
        again = httpx.get(f"{address}/api/state", headers={"cookie": cookie}).json()
        assert again["recipe"]["extractors"][0]["gain"] == saved
        assert again["revision"] >= n, "a page that was told later revisions is not contradicted"


def test_a_torn_history_and_leftover_files_do_no_harm(tmp_path: Path) -> None:
    """Common practice, no source."""
    session = RecipeSession(starting_recipe())
    store = RecipeStore(tmp_path / "key.json", tmp_path / "library", after_s=0)
    for n, label in enumerate(("blue", "red", "green")):
        session.write(
            "a",
            Write(
                type="write",
                client_seq=n,
                seen=99,
                label=label,
                ops=[SetOp(op="set", path="screen/primary", value=label)],
            ),
        )
        store.changed(session.recipe, session.revision, label)
    assert store.flush()
    store.close()
    with open(store.history_path, "a") as file:
        file.write('{"at": 5, "revision": 99, "recipe": {"form')
    (tmp_path / ".key.json.xyz.tmp").write_text("{half")
    again = RecipeStore(tmp_path / "key.json", tmp_path / "library")
    loaded = again.load()
    assert loaded is not None
    assert loaded[0] == session.recipe
    assert loaded[1] == session.revision + REVISIONS_APART
    assert [entry.label for entry in again.history()] == ["green", "red", "blue"]
    assert again.from_history(3).screen.primary == "red"
    again.close()


def test_a_gesture_is_one_step_of_history(tmp_path: Path) -> None:
    """Common practice, no source."""
    store = RecipeStore(tmp_path / "key.json", tmp_path / "library", after_s=0)
    for n in range(20):
        store.changed(starting_recipe(), n, "drag", "g1")
        if n % 5 == 0:
            store.flush()
    store.changed(starting_recipe(), 20, "other")
    store.flush()
    assert [(e.history, e.label) for e in store.history()] == [(20, "other"), (19, "drag")]
    store.close()


def test_a_history_grown_large_is_cut(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Common practice, no source."""
    monkeypatch.setattr("server.editing.recipes_store.HISTORY_BYTES", 60_000)
    monkeypatch.setattr("server.editing.recipes_store.HISTORY_KEPT", 5)
    store = RecipeStore(tmp_path / "key.json", tmp_path / "library", after_s=0)
    for n in range(60):
        store.changed(starting_recipe(), n, f"step {n}")
    store.flush()
    store.changed(starting_recipe(), 60, "step 60")
    store.flush()
    assert store.history_path.stat().st_size < 60_000
    assert store.history()[0].label == "step 60"
    store.close()


def test_a_recipe_that_cannot_be_saved_is_told(tmp_path: Path) -> None:
    """Common practice, no source."""
    told: list[str] = []
    works = threading.Event()

    def hear(text: str) -> None:
        told.append(text)
        if not text:
            works.set()

    store = RecipeStore(tmp_path / "gone" / "key.json", tmp_path, on_error=hear, after_s=0)
    shutil.rmtree(tmp_path / "gone")
    store.changed(starting_recipe(), 1, "x")
    store.flush()
    assert told
    assert "could not be saved" in told[0]
    (tmp_path / "gone").mkdir()
    store.changed(starting_recipe(), 2, "y")
    store.flush()
    assert store.path.exists()
    store.close()


def test_a_broken_recipe_file_is_a_clear_error(tmp_path: Path) -> None:
    """Common practice, no source."""
    shot = write_shot(tmp_path / "media", frames=range(1001, 1003))
    (tmp_path / "key.json").write_text("{broken")
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "server.cli",
            "serve",
            str(shot),
            "--recipe",
            str(tmp_path / "key.json"),
            "--port",
            "0",
        ],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={**os.environ, "VERDIGRIS_DATA_DIR": str(tmp_path / "data")},
    )
    assert done.returncode == 2
    assert done.stderr.startswith("verdigris: ")
    assert "key.json" in done.stderr
    assert "Traceback" not in done.stderr
    assert (tmp_path / "key.json").read_text() == "{broken"


def test_what_could_not_be_saved_is_saved_later_without_another_change(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Common practice, no source: a disk was full for a while."""
    monkeypatch.setattr("server.editing.recipes_store.RETRY_S", 0.01)
    told: list[str] = []
    works = threading.Event()

    def hear(text: str) -> None:
        told.append(text)
        if not text:
            works.set()

    store = RecipeStore(tmp_path / "gone" / "key.json", tmp_path, on_error=hear, after_s=0)
    shutil.rmtree(tmp_path / "gone")
    for n in (1, 2):
        store.changed(starting_recipe(), n, f"step {n}")
    assert not store.flush()
    assert len(told) == 1, "it is told once, not at every try"
    (tmp_path / "gone").mkdir()
    assert works.wait(30)
    assert store.flush()
    assert store.path.exists()
    assert [entry.label for entry in store.history()] == ["step 2", "step 1"]
    store.close()


def test_a_service_that_cannot_save_tells_its_pages(fresh: Live) -> None:
    """Common practice, no source: reviewers too, so without paths."""
    store = fresh.service.recipes
    assert store.flush()
    away = store.path.parent.rename(fresh.folder / "away")
    with fresh.page() as page:
        page.set("screen/primary", "blue")
        told = page.until("status", message=UNSAVED)
        assert str(fresh.folder) not in told["message"]
        away.rename(store.path.parent)
        page.until("status", message="")
    assert load_recipe(store.path).screen.primary == "blue"

"""What is not fit for the wire or the HTTP interface: refused in a sentence, never a failure."""

from __future__ import annotations

import json
import os
import random
import sys
from pathlib import Path
from typing import Any

import hypothesis
import pytest
import schemathesis
from hypothesis import HealthCheck
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)
from websockets.exceptions import ConnectionClosed

from server.wire.protocol import PROTOCOL
from server.wire.state import State
from tests.server.conftest import Live, Page

WELL_FORMED: list[dict[str, Any]] = [
    {
        "type": "write",
        "client_seq": 1,
        "seen": 1,
        "ops": [{"op": "set", "path": "screen/primary", "value": "green"}],
    },
    {"type": "show", "port": 0, "view_id": 1, "name": "matte", "region": [0, 0, 9, 9]},
    {"type": "ack", "sequence": 1},
    {"type": "transport", "frame": 1001, "playing": False},
    {"type": "sample", "id": "a", "box": [0, 0, 1, 1]},
    {"type": "scopes", "kinds": ["hues"]},
    {"type": "note_edit", "note": "a", "done": True},
    {"type": "job_cancel", "job": "a"},
    {"type": "recipe_load", "id": "a", "history": 3},
    {"type": "revoke", "device": "a"},
    {"type": "separate", "id": "a", "box_a": [0, 0, 1, 1], "box_b": [2, 2, 3, 3]},
    {"type": "media", "id": "a", "root": "media", "under": ""},
    {"type": "shot_open", "id": "a", "shot": "x"},
    {"type": "undo", "client_seq": 3},
]
JUNK: list[Any] = [
    None,
    True,
    -1,
    2**63,
    1e308,
    "",
    "x" * 3000,
    [],
    {},
    [[[[]]]],
    {"a": {"b": []}},
    "\x00",
    "../..",
    "NaN",
    -0.5,
    "\ud7ff",
    [1, 2],
    {"type": "write"},
]


def mutated(rng: random.Random) -> str | bytes:
    """Return a message that is wrong in some way."""
    message = json.loads(json.dumps(rng.choice(WELL_FORMED)))
    kind = rng.randrange(8)
    if kind == 0:
        message[rng.choice(list(message))] = rng.choice(JUNK)
    elif kind == 1:
        message["extra"] = rng.choice(JUNK)
    elif kind == 2:
        del message[rng.choice(list(message))]
        message["unknown_field"] = 1
    elif kind == 3:
        text = json.dumps(message)
        return text[: rng.randrange(len(text))]
    elif kind == 4:
        return json.dumps(rng.choice(JUNK))
    elif kind == 5:
        return rng.randbytes(rng.randrange(1, 200))
    elif kind == 6:
        return "[" * rng.randrange(1, 3000)
    else:
        text = list(json.dumps(message))
        text[rng.randrange(len(text))] = chr(rng.randrange(1, 0xD7FF))
        return "".join(text)
    return json.dumps(message)


def test_1000_malformed_messages(fresh: Live, caplog: pytest.LogCaptureFixture) -> None:
    """Common practice, no source: no message fails the service, none changes what it must not."""
    rng = random.Random(7)
    sent = connections = 0
    before = fresh.service.session.document
    while sent < 1000:
        connections += 1
        with fresh.page() as page:
            code = 0
            try:
                for _ in range(50):
                    page.socket.send(mutated(rng))
                    sent += 1
                page.send(type="ping", t=5)
                page.until("pong", t=5)
            except ConnectionClosed as closed:
                code = closed.rcvd.code if closed.rcvd is not None else 1006
            assert code in (0, 4429, 1007, 1009)
            _no_failures(page)
    assert connections < 40
    changed = {k for k in before if before[k] != fresh.service.session.document[k]}
    assert changed <= {"screen"}
    assert not [r for r in caplog.records if r.levelname in ("ERROR", "CRITICAL")]
    assert fresh.get("/healthz").status_code == 200


def _no_failures(page: Page) -> None:
    for text in page.texts:
        if text["type"] == "error":
            assert text["code"] != "server", text
            assert "Traceback" not in text["message"]


def test_the_http_interface_does_what_its_description_says(live: Live) -> None:
    """Source: schemathesis against the served OpenAPI document."""
    cookie = live.cookie()
    document = live.get("/openapi.json", cookie).json()
    schema = schemathesis.openapi.from_dict(document)
    seen: set[str] = set()
    for result in schema.get_all_operations():
        operation = result.ok()
        _run(operation, live, cookie, seen)
    assert len(seen) >= 8


def _run(operation: Any, live: Live, cookie: str, seen: set[str]) -> None:
    """Run a number of generated cases of one operation."""

    @hypothesis.given(case=operation.as_strategy())
    @hypothesis.settings(
        max_examples=12,
        deadline=None,
        database=None,
        derandomize=True,
        suppress_health_check=list(HealthCheck),
    )
    def cases(case: schemathesis.Case) -> None:
        if case.path == "/api/leave":
            return
        live.service_joins_reset()
        answer = case.call(
            base_url=live.address, headers={"cookie": cookie, "origin": live.address}
        )
        seen.add(f"{case.method} {case.path}")
        case.validate_response(
            answer,
            checks=[
                not_a_server_error,
                status_code_conformance,
                content_type_conformance,
                response_schema_conformance,
            ],
        )
        assert b"Traceback" not in answer.content

    cases()


def test_a_welcome_that_fails_leaves_nobody_behind(
    fresh: Live, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Common practice, no source: else a page that tries again and again fills the room."""
    cookie = fresh.cookie()
    with monkeypatch.context() as broken:

        def fail(*_: object) -> State:
            raise ValueError("no state today")

        broken.setattr(fresh.service, "state", fail)
        with fresh.socket(cookie) as socket:
            socket.send(json.dumps({"type": "hello", "protocol": PROTOCOL, "client": "c"}))
            with pytest.raises(ConnectionClosed):
                socket.recv(10)
        assert not fresh.service.clients
        assert not fresh.service.scheduler.viewers
    with fresh.page(cookie=cookie, client="c") as page:
        assert page.welcome["you"]["client"] == "c"


@pytest.mark.skipif(sys.platform != "linux", reason="other systems allow no such names")
def test_names_that_are_no_text_are_left_out_of_the_media(fresh: Live) -> None:
    """Common practice, no source: else the whole list could not be sent."""
    folder = os.fsencode(fresh.folder / "media")
    for name in (b"caf\xe9.png", b"caf\xe9.mov", b"f\xe9.0001.exr", b"f\xe9.0002.exr"):
        Path(os.fsdecode(folder + b"/" + name)).write_bytes(b"x")
    os.mkdir(folder + b"/d\xe9")
    with fresh.page() as page:
        page.send(type="media", id="m", root="media", under="")
        listed = page.until("media", id="m")["entries"]
    assert [entry["name"] for entry in listed] == ["take.####.exr"]

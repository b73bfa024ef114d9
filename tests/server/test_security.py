"""Who may come in, from where, and what no request can reach."""

from __future__ import annotations

import http.client
import json
import os
import re
import ssl
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
import trustme
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect

from kernels.errors import VerdigrisError
from server.http.cookies import read_cookie
from server.media import write_exr
from server.media.roots import RootsError
from server.security import (
    DEVICE_LIFE_S,
    LINK_LIFE_S,
    Gate,
    RateLimit,
    host_allowed,
    origin_allowed,
    own_hosts,
    private_folder,
)
from server.wire.protocol import PROTOCOL
from tests.server.conftest import HEIGHT, WIDTH, Live, Page, close_code, live_service

ROUTES = [
    "/api/schema",
    "/api/state",
    "/api/recipe",
    "/api/recipes/x",
    "/api/picture",
    "/api/jobs/a/b",
    "/api/takes",
    "/api/takes/1",
    "/api/takes/1/thumbnail",
    "/api/takes/1/report.html",
    "/api/takes.csv",
    "/api/takes.html",
    "/openapi.json",
    "/metrics",
]


# ---------------------------------------------------------------- links and cookies


@pytest.mark.parametrize("route", ROUTES)
def test_nothing_without_a_cookie(live: Live, route: str) -> None:
    """Common practice, no source."""
    assert live.get(route).status_code == 401
    assert live.get(route, "verdigris_1=x; other=y").status_code == 401


def test_without_a_cookie_there_is_the_sign_in_page_only(live: Live) -> None:
    """Common practice, no source."""
    answer = live.get("/")
    assert answer.status_code == 401
    assert 'id="join"' in answer.text
    assert live.get("/healthz").json() == {"ok": True}


@pytest.mark.parametrize(
    "route",
    [
        "/api/recipes/x",
        "/api/jobs/a/b",
        "/api/takes/1/report.html",
        "/api/takes.csv",
        "/api/takes.html",
        "/metrics",
    ],
)
def test_a_reviewers_cookie_does_not_open_the_operators_routes(live: Live, route: str) -> None:
    """Common practice, no source."""
    assert live.get(route, live.cookie("reviewer")).status_code == 403


def test_the_operators_link_works_once(live: Live) -> None:
    """Common practice, no source."""
    token = live.service.gate.make_link("operator")
    headers = {"origin": live.address}
    url = f"{live.address}/api/join"
    live.service_joins_reset()
    first = httpx.post(url, json={"token": token}, headers=headers)
    again = httpx.post(url, json={"token": token}, headers=headers)
    assert (first.status_code, again.status_code) == (200, 403)
    assert "set-cookie" not in again.headers


def test_a_link_is_not_redeemed_by_looking_at_it(live: Live) -> None:
    """Common practice, no source: previews and scanners send GET requests."""
    token = live.service.gate.make_link("operator")
    for path in (f"/join?t={token}", f"/api/join?token={token}", f"/join/{token}"):
        live.get(path)
    assert live.service.gate.redeem(token, "x") is not None


def test_the_cookie_is_for_this_site_only_and_not_for_scripts(live: Live) -> None:
    """Source: RFC 6265 and its SameSite revision (attribute names)."""
    token = live.service.gate.make_link("reviewer")
    live.service_joins_reset()
    answer = httpx.post(
        f"{live.address}/api/join", json={"token": token}, headers={"origin": live.address}
    )
    cookie = answer.headers["set-cookie"]
    for attribute in ("HttpOnly", "SameSite=strict", "Path=/"):
        assert attribute in cookie
    assert re.match(r"verdigris_\d+=", cookie), "cookies are shared by ports: the name has ours"


def test_guessing_tokens_is_slowed_down(fresh: Live) -> None:
    """Common practice, no source."""
    codes = [
        httpx.post(
            f"{fresh.address}/api/join",
            json={"token": f"guess{n}"},
            headers={"origin": fresh.address},
        ).status_code
        for n in range(20)
    ]
    assert codes[0] == 403
    assert codes[-1] == 429


def test_links_and_devices_end() -> None:
    """Common practice, no source."""
    now = [1000.0]
    gate = Gate(clock=lambda: now[0])
    late = gate.make_link("operator")
    now[0] += LINK_LIFE_S + 1
    assert gate.redeem(late, "x") is None
    reviewers = gate.make_link("reviewer")
    first, second = gate.redeem(reviewers, "a"), gate.redeem(reviewers, "b")
    assert first is not None
    assert second is not None
    assert gate.device(first[1]) is first[0]
    assert gate.revoke_device(first[0].device) == [first[0].device]
    assert gate.device(first[1]) is None
    assert not gate.is_valid(first[0])
    assert gate.revoke_role("reviewer") == [second[0].device]
    assert gate.redeem(reviewers, "c") is None
    operator = gate.redeem(gate.make_link("operator"), "o")
    assert operator is not None
    now[0] += DEVICE_LIFE_S
    assert gate.device(operator[1]) is None


def test_devices_outlive_a_restart_and_no_token_is_written(tmp_path: Path) -> None:
    """Common practice, no source: a stolen file must not open the service."""
    store = tmp_path / "devices.json"
    gate = Gate(store)
    redeemed = gate.redeem(gate.make_link("operator"), "x")
    assert redeemed is not None
    assert redeemed[1] not in store.read_text()
    assert store.stat().st_mode & 0o077 == 0
    assert Gate(store).device(redeemed[1]) is not None
    store.write_text("{broken")
    assert Gate(store).devices() == []


def test_revoking_closes_the_connections_of_that_link(fresh: Live) -> None:
    """Common practice, no source."""
    with fresh.page() as op, fresh.page("reviewer") as r, fresh.page("reviewer") as other:
        devices = {d.device: d.role for d in fresh.service.devices()}
        assert sorted(devices.values()) == ["operator", "reviewer", "reviewer"]
        op.send(type="revoke", device=r.welcome["you"]["device"])
        assert close_code(r) == 4401
        assert "revoked" in [text.get("code") for text in r.texts]
        other.send(type="ping", t=1)
        other.until("pong")
        op.send(type="revoke", role="reviewer")
        assert close_code(other) == 4401
        op.send(type="revoke", role="operator")
        op.send(type="ping", t=2)
        assert op.until("pong")["t"] == 2, "nobody locks themselves out"


def test_a_client_id_belongs_to_its_device(live: Live) -> None:
    """Common practice, no source: ids are seen by others and must not be worth anything."""
    with live.page(client="mine"), live.socket(live.cookie("reviewer")) as socket:
        socket.send(json.dumps({"type": "hello", "protocol": PROTOCOL, "client": "mine"}))
        assert close_code(Page(socket, {})) == 4409


def test_tokens_never_reach_the_log(fresh: Live, caplog: pytest.LogCaptureFixture) -> None:
    """Common practice, no source."""
    caplog.set_level("DEBUG")
    caplog.set_level("DEBUG", "verdigris")  # a command run before may have set it
    token = fresh.service.gate.make_link("operator")
    httpx.post(
        f"{fresh.address}/api/join", json={"token": token}, headers={"origin": fresh.address}
    )
    httpx.get(f"{fresh.address}/join?t={token}")
    cookie = fresh.cookie()
    with fresh.page(cookie=cookie) as page:
        page.send(type="link", id="l", role="reviewer")
        url = page.until("link")["url"]
        page.send(type="hello", protocol=token, client="x")
        page.until("error")
    text = "\n".join(r.getMessage() for r in caplog.records if r.name.startswith("verdigris"))
    assert "/api/join" in text
    for secret in (token, cookie.split("=")[1], url.split("#")[1]):
        assert secret not in text


# ---------------------------------------------------------------- host and origin


@pytest.mark.parametrize(
    "origin",
    [
        "null",
        "http://evil.test",
        "",
        "https://127.0.0.1",
        "http://127.0.0.1",
        "{address}.evil.test",
        "{address}/",
        "http://evil.test#{address}",
        "HTTP://127.0.0.1:{port}",
        "http://localhost:{port}",
    ],
)
def test_a_foreign_origin_is_refused(live: Live, origin: str) -> None:
    """Common practice, no source: an exact comparison, with a good cookie, before accepting."""
    text = origin.format(address=live.address, port=live.address.rsplit(":", 1)[1])
    cookie = live.cookie()
    with pytest.raises(InvalidStatus) as refused, live.socket(cookie, origin=text or None):
        pass
    assert refused.value.response.status_code == 403
    answer = httpx.post(f"{live.address}/api/leave", headers={"cookie": cookie, "origin": text})
    assert answer.status_code == 403
    assert live.get("/api/state", cookie).status_code == 200


def test_a_missing_origin_is_refused(live: Live) -> None:
    """Common practice, no source."""
    cookie = live.cookie()
    assert httpx.post(f"{live.address}/api/leave", headers={"cookie": cookie}).status_code == 403


@pytest.mark.parametrize(
    "host",
    [
        "evil.test",
        "127.0.0.1.evil.test",
        "evil.test:80",
        "",
        "127.0.0.1@evil.test",
        "[::1",
        "127.0.0.1:99999999",
        "127.0.0.1, evil.test",
        "localhost.",
        "0.0.0.0",
    ],
)
def test_a_foreign_host_is_refused_on_every_route(live: Live, host: str) -> None:
    """Common practice, no source: DNS rebinding."""
    cookie = live.cookie()
    name, port = live.address.removeprefix("http://").split(":")
    for route in ["/", "/healthz", "/join", *ROUTES]:
        connection = http.client.HTTPConnection(name, int(port), timeout=5)
        connection.putrequest("GET", route, skip_host=True)
        connection.putheader("Host", host)
        connection.putheader("Cookie", cookie)
        connection.endheaders()
        assert connection.getresponse().status == 400
        connection.close()


def test_host_names() -> None:
    """Common practice, no source."""
    hosts = own_hosts("127.0.0.1", ["stage.test"])
    assert host_allowed("localhost:8765", hosts)
    assert host_allowed("STAGE.test", hosts)
    assert host_allowed("[::1]:80", hosts)
    assert not host_allowed("evil.test", hosts)
    assert origin_allowed("http://a:1", "ws", "a:1")
    assert not origin_allowed("null", "http", "null")
    assert read_cookie({"cookie": "a=1; v=x"}, "v") == "x"
    assert read_cookie({"cookie": "v=x; v=y"}, "v") is None
    assert read_cookie({"cookie": "w=1; v=x ;v=x"}, "v") == "x"


def test_the_headers_of_every_answer(live: Live) -> None:
    """Source: Content Security Policy Level 3 (directive names)."""
    for path in ("/", "/join", "/nothing", "/healthz", "/join/join.js"):
        headers = live.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert f"connect-src 'self' ws://{live.address.removeprefix('http://')}" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert "server" not in headers


# ---------------------------------------------------------------- paths

TRAVERSALS = [
    "../secret.exr",
    "a/../../secret.exr",
    "/etc/passwd",
    "{outside}/secret.exr",
    "..\\secret.exr",
    "C:\\secret.exr",
    "C:secret.exr",
    "c:/secret.exr",
    "\\\\host\\share\\x.exr",
    "//host/share/x.exr",
    "take.1001.exr\x00.png",
    "~/secret.exr",
    "~root/x",
    "link.exr",
    "linked/secret.exr",
    "%2e%2e/secret.exr",
    "..%2fsecret.exr",
    "....//secret.exr",
    "",
    ".",
    "..",
    "file:///etc/passwd",
    "a" * 5000,
    "CON",
    "take.####.exr/../../secret.exr",
    "\u2025/secret.exr",
]


@pytest.fixture(scope="module")
def walled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Live]:
    """A service with a secret beside its media root, and links that lead out to it."""
    folder = tmp_path_factory.mktemp("walled")
    with live_service(folder) as made:
        secret = np.full((4, HEIGHT, WIDTH), 7.0, np.float32)
        write_exr(folder / "secret.exr", {"": secret})
        os.symlink(folder / "secret.exr", folder / "media" / "link.exr")
        os.symlink(folder, folder / "media" / "linked")
        yield made


OPENED: list[str] = []


def _hear(event: str, arguments: tuple[Any, ...]) -> None:
    if event == "open" and OPENED and isinstance(arguments[0], str):
        OPENED.append(arguments[0])


sys.addaudithook(_hear)


@pytest.mark.parametrize("name", TRAVERSALS)
def test_no_name_in_a_recipe_leads_outside_the_roots(walled: Live, name: str) -> None:
    """Common practice, no source: names are checked as strings, then by real path."""
    name = name.format(outside=walled.folder) if "{outside}" in name else name
    OPENED[:] = ["start"]
    with walled.page(show={"name": "composite"}) as page:
        page.write(
            {"op": "set", "path": "screen/clean_plate", "value": "file"},
            {"op": "set", "path": "screen/clean_plate_path", "value": name},
            {"op": "set", "path": "source/denoised_path", "value": name},
            {"op": "set", "path": "look/lut_path", "value": name},
            {"op": "set", "path": "assemble/background/kind", "value": "picture"},
            {"op": "set", "path": "assemble/background/path", "value": name},
        )
        page.until("accepted")
        opened = walled.service.opened
        walled.service._openers.submit(lambda: None).result(60)  # after all that was asked for
        assert not opened.missing(walled.service.session.recipe)
        page.picture(revision=walled.service.session.revision)
    shots = [c for c, shot in opened._shots.items() if shot is not None]
    assert shots == []
    assert not [p for p in OPENED if "secret" in p or "passwd" in p]
    OPENED.clear()
    if name and name != ".":
        with pytest.raises(RootsError):
            walled.service.roots.resolve(name)


@pytest.mark.parametrize("name", TRAVERSALS)
def test_no_listing_outside_the_roots(walled: Live, name: str) -> None:
    """Common practice, no source."""
    name = name.format(outside=walled.folder) if "{outside}" in name else name
    with walled.page() as page:
        page.send(type="media", id="x", root="media", under=name)
        while True:
            got = page.receive(10)
            if isinstance(got, dict) and got["type"] in ("media", "error"):
                break
        assert "secret" not in json.dumps(got.get("entries", []))


@pytest.mark.parametrize(
    "path",
    [
        "/../pyproject.toml",
        "/..%2fpyproject.toml",
        "/%2e%2e/pyproject.toml",
        "/js/../../setup.cfg",
        "/join/../service.py",
        "/join/%2e%2e/service.py",
        "//etc/passwd",
        "/etc/passwd",
        "/%00",
        "/js/%00.js",
        "/..\\server\\app.py",
        "/C:/x",
        "/__pycache__/x",
        "/.git/config",
        "/api/recipes/..%2fdevices",
        "/api/recipes/%2e%2e",
        "/api/jobs/..%2f..%2fx/y",
        "/api/jobs/a/..%2f..%2fdevices.json",
        "/css/..%5c..%5cx",
        "/server/app.py",
    ],
)
def test_no_address_leads_to_other_files(walled: Live, path: str) -> None:
    """Common practice, no source: only files listed at start are served."""
    name, port = walled.address.removeprefix("http://").split(":")
    connection = http.client.HTTPConnection(name, int(port), timeout=5)
    connection.putrequest("GET", path, skip_host=True)
    connection.putheader("Host", f"{name}:{port}")
    connection.putheader("Cookie", walled.cookie())
    connection.endheaders()
    answer = connection.getresponse()
    assert answer.status in (400, 404)
    assert b"Traceback" not in answer.read()
    connection.close()


@pytest.mark.parametrize("name", ["../x", "a/b", "", ".hidden", "x" * 61, "a\x00b", "C:x", "\\x"])
def test_recipe_names_stay_in_their_folder(walled: Live, name: str) -> None:
    """Common practice, no source."""
    with walled.page() as page:
        page.send(type="recipe_save_as", id="s", name=name)
        assert page.until("error")["message"]
    library = Path(walled.folder / "data" / "recipes")
    assert not library.exists() or list(library.iterdir()) == []


# ---------------------------------------------------------------- sizes and floods


def test_an_oversize_message_ends_the_connection_only(live: Live) -> None:
    """Source: RFC 6455, status code 1009."""
    with live.page() as page, live.page() as other:
        page.socket.send("x" * 300_000)
        assert close_code(page) == 1009
        other.send(type="ping", t=3)
        assert other.until("pong")["t"] == 3


def test_a_large_body_is_refused(live: Live) -> None:
    """Source: RFC 9110, status code 413."""
    headers = {"origin": live.address, "content-type": "application/json"}
    url = f"{live.address}/api/join"
    assert httpx.post(url, content=b"x" * 200_000, headers=headers).status_code == 413

    def pieces() -> Iterator[bytes]:
        for _ in range(200):
            yield b'{"token":' + b" " * 1000

    assert httpx.post(url, content=pieces(), headers=headers).status_code == 413


def test_a_flood_of_messages_ends_the_connection(live: Live) -> None:
    """Common practice, no source."""
    with live.page() as page:
        for n in range(2500):
            try:
                page.send(type="ping", t=n)
            except (OSError, ConnectionClosed):
                break
        assert close_code(page) == 4429


def test_metrics_are_for_operators(live: Live, monkeypatch: pytest.MonkeyPatch) -> None:
    """Source: Prometheus text exposition format."""
    text = live.get("/metrics", live.cookie()).text
    assert "# TYPE verdigris_seconds histogram" in text
    monkeypatch.setenv("VERDIGRIS_METRICS_TOKEN", "secret")
    assert live.get("/metrics", authorization="Bearer secret").status_code == 200
    assert live.get("/metrics", authorization="Bearer wrong").status_code == 401


def test_rate_limit() -> None:
    """Common practice, no source: a bucket of tokens."""
    now = [0.0]
    limit = RateLimit(2.0, 3.0, clock=lambda: now[0])
    assert [limit.allows("a") for _ in range(4)] == [True, True, True, False]
    assert limit.allows("b")
    now[0] += 0.5
    assert [limit.allows("a"), limit.allows("a")] == [True, False]


# ---------------------------------------------------------------- TLS


def test_tls_with_a_certificate(tmp_path: Path) -> None:
    """Source: certificates made by the trustme library, checked by Python's ssl."""
    authority = trustme.CA()
    certificate = authority.issue_cert("127.0.0.1")
    cert, key, root = tmp_path / "c.pem", tmp_path / "k.pem", tmp_path / "ca.pem"
    certificate.private_key_pem.write_to_path(key)
    for n, blob in enumerate(certificate.cert_chain_pems):
        blob.write_to_path(cert, append=n > 0)
    authority.cert_pem.write_to_path(root)
    context = ssl.create_default_context(cafile=str(root))
    with live_service(tmp_path / "live", cert=cert, key=key) as made:
        token = made.service.gate.make_link("operator")
        with httpx.Client(verify=context, headers={"origin": made.address}) as client:
            answer = client.post(f"{made.address}/api/join", json={"token": token})
            cookie = answer.headers["set-cookie"]
            assert "; Secure" in cookie
            policy = client.get(f"{made.address}/").headers["content-security-policy"]
            assert "wss://127.0.0.1:" in policy
        with connect(
            f"{made.address.replace('https', 'wss')}/ws",
            ssl=context,
            origin=made.address,
            additional_headers={"cookie": cookie.split(";")[0]},
        ) as socket:
            socket.send(json.dumps({"type": "hello", "protocol": PROTOCOL, "client": "t"}))
            assert json.loads(socket.recv(10))["type"] == "welcome"


@pytest.mark.parametrize("place", ["file", "file/below", "read-only"])
def test_a_data_folder_that_cannot_be_written_to_is_one_sentence(
    tmp_path: Path, place: str
) -> None:
    """Our own rule, no outside source: a file in its place, and /sys, which is mounted read-only or
    takes no files."""
    (tmp_path / "file").write_text("x")
    folder = Path("/sys/kernel") if place == "read-only" else tmp_path / place
    if place == "read-only" and not folder.is_dir():
        pytest.skip("no /sys here")
    before = folder.stat().st_mode if place == "read-only" else 0
    with pytest.raises(
        VerdigrisError, match=r"cannot be written to \(.*VERDIGRIS_DATA_DIR"
    ) as told:
        private_folder(folder / "data" if place == "read-only" else folder)
    assert "\n" not in str(told.value)
    assert place != "read-only" or folder.stat().st_mode == before


def test_bytes_that_are_no_text_are_answered_without_a_traceback(
    fresh: Live, caplog: pytest.LogCaptureFixture
) -> None:
    """Source: RFC 6455, 8.1: a text frame that is no UTF-8 fails the connection, with 1007."""
    with fresh.page() as page:
        with page.socket.send_context():
            page.socket.protocol.send_text(b"\xff\xfe{")
        assert close_code(page) == 1007
    assert fresh.get("/healthz").status_code == 200
    assert [r for r in caplog.records if r.exc_info or "Traceback" in r.getMessage()] == []

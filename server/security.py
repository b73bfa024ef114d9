"""Who may come in: links, cookies, roles, exact origins, host names.

Tokens are kept as hashes only and never written to a log. The operator's link works once and
expires; the reviewers' link works for many devices until it is revoked. Redeeming a link gives a
cookie, which stands for one device.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import socket
import stat
import tempfile
import time
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

from cachetools import LRUCache

from kernels.errors import VerdigrisError
from kernels.recipe_file import write_text_atomically
from server.wire.messages import Role

LINK_LIFE_S = 15 * 60.0
DEVICE_LIFE_S = 16 * 3600.0
MAX_DEVICES = 200
TOKEN_BYTES = 32
LOOPBACK = ("127.0.0.1", "localhost", "[::1]")


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogateescape")).hexdigest()


@dataclass
class DeviceRecord:
    """One redeemed cookie; `key` is the hash of its token."""

    device: str
    key: str
    role: Role
    name: str
    since: float
    seen: float
    origin: str = ""
    """id of the link it came in by, so that revoking a link finds its devices"""


@dataclass(frozen=True)
class OpenLink:
    """A link that can still be redeemed; expires None: until revoked."""

    link: str
    key: str
    role: Role
    once: bool
    expires: float | None
    maker: str = ""
    """device that made it; empty: the service itself"""


@dataclass
class Gate:
    """All links and devices of one service. `store`: a private file that survives restarts."""

    store: Path | None = None
    clock: Callable[[], float] = time.time
    _links: dict[str, OpenLink] = field(default_factory=dict)
    _devices: dict[str, DeviceRecord] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.store is not None and self.store.is_file():
            try:
                records = [DeviceRecord(**r) for r in json.loads(self.store.read_text())["devices"]]
            except (OSError, ValueError, KeyError, TypeError):
                records = []
            self._devices = {record.key: record for record in records}
            self._drop_old()

    def make_link(self, role: Role, maker: str = "") -> str:
        """Return the token of a new link; a new reviewers' link leaves older ones valid.

        maker: the device that asks for it; revoking that device takes the link along.
        """
        token = secrets.token_urlsafe(TOKEN_BYTES)
        once = role == "operator"
        expires = self.clock() + LINK_LIFE_S if once else None
        key = _digest(token)
        self._links[key] = OpenLink(secrets.token_hex(4), key, role, once, expires, maker)
        return token

    def redeem(self, token: str, name: str) -> tuple[DeviceRecord, str] | None:
        """Return a device and its cookie's token for a link's token, or None."""
        link = self._links.get(_digest(token))
        if link is None:
            return None
        now = self.clock()
        if link.expires is not None and now >= link.expires:
            del self._links[link.key]
            return None
        if link.once:
            del self._links[link.key]
        cookie = secrets.token_urlsafe(TOKEN_BYTES)
        record = DeviceRecord(
            secrets.token_hex(6), _digest(cookie), link.role, clean_name(name), now, now, link.link
        )
        self._devices[record.key] = record
        self._drop_old()
        self._save()
        return record, cookie

    def device(self, cookie: str | None) -> DeviceRecord | None:
        """Return the device that a cookie stands for, or None."""
        record = self._devices.get(_digest(cookie)) if cookie else None
        if record is None:
            return None
        now = self.clock()
        if now - record.since >= DEVICE_LIFE_S:
            return None
        record.seen = now
        return record

    def is_valid(self, record: DeviceRecord) -> bool:
        """Tell whether a device still may come in."""
        fresh = self.clock() - record.since < DEVICE_LIFE_S
        return fresh and self._devices.get(record.key) is not None

    def devices(self) -> list[DeviceRecord]:
        """Return all devices, oldest first."""
        return sorted(self._devices.values(), key=lambda record: record.since)

    def revoke_device(self, device: str) -> list[str]:
        """Take one device's cookie away; returns the ids of devices that are out now."""
        return self._revoke(lambda record: record.device == device)

    def revoke_role(self, role: Role, but: str = "") -> list[str]:
        """Take a role's links and all its devices away, except the device `but`."""
        self._links = {k: link for k, link in self._links.items() if link.role != role}
        return self._revoke(lambda record: record.role == role and record.device != but)

    def _revoke(self, condition: Callable[[DeviceRecord], bool]) -> list[str]:
        gone = [record for record in self._devices.values() if condition(record)]
        for record in gone:
            del self._devices[record.key]
        out = {record.device for record in gone}
        self._links = {k: link for k, link in self._links.items() if link.maker not in out}
        self._save()
        return [record.device for record in gone]

    def _drop_old(self) -> None:
        now = self.clock()
        fresh = [r for r in self._devices.values() if now - r.since < DEVICE_LIFE_S]
        fresh.sort(key=lambda record: record.seen)
        self._devices = {record.key: record for record in fresh[-MAX_DEVICES:]}

    def _save(self) -> None:
        if self.store is None:
            return
        self.store.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        text = json.dumps({"devices": [asdict(record) for record in self._devices.values()]})
        write_text_atomically(self.store, text, private=True)


def clean_name(name: str) -> str:
    """Return a device's name fit for display: printable, at most 40 characters."""
    kept = "".join(c for c in name if c.isprintable()).strip()[:40]
    return kept or "a device"


# ---------------------------------------------------------------- hosts and origins


def own_hosts(host: str, extra: Iterable[str] = ()) -> frozenset[str]:
    """Return the names under which the service may be addressed when it listens on `host`."""
    names = {*LOOPBACK, host if ":" not in host else f"[{host}]", *extra}
    if not is_loopback(host):
        names |= {socket.gethostname(), *_own_addresses()}
    names -= {"0.0.0.0", "[::]", ""}
    return frozenset(name.lower() for name in names)


def is_loopback(host: str) -> bool:
    """Tell whether a listening address can be reached from this machine only."""
    return host in ("localhost", "::1") or host.startswith("127.")


def _own_addresses() -> set[str]:
    found = {outward_address()}
    try:
        for info in socket.getaddrinfo(socket.gethostname(), None):
            address = str(info[4][0])
            found.add(f"[{address}]" if ":" in address else address)
    except OSError:
        pass
    return found


def outward_address() -> str:
    """Return this machine's address as others on its network see it (no packet is sent)."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def split_host(header: str) -> tuple[str, int | None] | None:
    """Return name and port of a Host header, or None if it is not one."""
    if not header or len(header) > 255 or any(c in header for c in "/\\@?# \t,"):
        return None
    try:
        parts = urlsplit(f"//{header}")
        port = parts.port
    except ValueError:
        return None
    name = header.rsplit(":", 1)[0] if port is not None else header
    return (name.lower(), port) if name and not name.endswith(":") else None


def host_allowed(header: str, hosts: frozenset[str]) -> bool:
    """Tell whether a Host header names this service."""
    parts = split_host(header)
    return parts is not None and parts[0] in hosts


def origin_allowed(origin: str | None, scheme: str, host: str) -> bool:
    """Tell whether an Origin is exactly the page's own; none and `null` are refused."""
    web = {"ws": "http", "wss": "https"}.get(scheme, scheme)
    return origin is not None and origin == f"{web}://{host}"


def security_headers(host: str, secure: bool) -> dict[str, str]:
    """Return the headers of every answer; the policy names the socket's host for old WebKits."""
    socket_origin = f"{'wss' if secure else 'ws'}://{host}" if split_host(host) else ""
    policy = (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
        f"font-src 'self'; connect-src 'self' {socket_origin}; worker-src 'self'; "
        "manifest-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
    )
    return {
        "content-security-policy": policy,
        "x-content-type-options": "nosniff",
        "referrer-policy": "no-referrer",
        "cross-origin-opener-policy": "same-origin",
        "cross-origin-resource-policy": "same-origin",
        "x-frame-options": "DENY",
        "permissions-policy": "camera=(), microphone=(), geolocation=(), payment=()",
    }


class RateLimit:
    """A bucket of tokens for each key: `rate` a second, at most `burst` at once."""

    def __init__(
        self, rate: float, burst: float, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.rate, self.burst, self.clock = rate, burst, clock
        self._levels: LRUCache[str, tuple[float, float]] = LRUCache(10_000)

    def allows(self, key: str) -> bool:
        """Take a token; False when there is none left."""
        now = self.clock()
        level, at = self._levels.get(key, (self.burst, now))
        level = min(self.burst, level + (now - at) * self.rate)
        self._levels[key] = (level - 1 if level >= 1 else level, now)
        return level >= 1


def private_folder(path: Path) -> Path:
    """Make a folder that only its owner can look into and write to, and return it.

    Raises VerdigrisError in one sentence where that is not to be had, as on a read-only mount.
    """
    try:
        path.mkdir(parents=True, exist_ok=True, mode=0o700)
        if stat.S_IMODE(path.stat().st_mode) != 0o700:
            os.chmod(path, 0o700)
        with tempfile.TemporaryFile(dir=path):
            pass
    except OSError as error:
        raise VerdigrisError(
            f"the folder '{path}' cannot be written to ({error.strerror or error}): free it, or "
            "name another data folder (VERDIGRIS_DATA_DIR)"
        ) from None
    return path

"""The wire between page and server: what travels, in which form, on which route.

Text messages are JSON objects told apart by `type`; their models, with every field, stand in
`server.wire.messages` (from the page), `server.wire.replies` and `server.wire.state` (to it).
Unknown types and unknown fields are refused with an `error` message (the connection stays, unless
it happens too often). Coordinates are full-resolution pixels, regions and
boxes `[x0, y0, x1, y1]`, half open.

HTTP routes (cookie needed unless said; every route checks Host, every change checks Origin)::

    GET  /                          the page (web/index.html); without a cookie the sign-in page
    GET  /<file of web/>            the page's scripts, styles, pictures (no cookie needed)
    GET  /join                      sign-in page (no cookie); the token is in the fragment: /join#T
                                    (its files are in server/join)
    POST /api/join                  {"token", "name"} -> {"role"} and the cookie (no cookie needed)
    POST /api/leave                 drops the cookie
    GET  /api/schema                {"recipe": JSON schema, "extractors": {kind: default item},
                                    "despill": default item, "shape": default item}
    GET  /api/state                 the same object as `state` in `welcome`
    GET  /api/recipe                the recipe as a file to download
    GET  /api/recipes/{name}        a saved recipe as a file to download
    GET  /api/picture               ?view=composite&frame=1001&width=960[&extractor=][&lossless=1]
    GET  /api/jobs/{job}/{file}     a file made by a job (report, contact sheet)
    GET  /api/takes                 ?day=2031-05-17 a day's kept takes; the newest day by default
                                    (reviewers: of the open shot's and the watched folder only)
    GET  /api/takes/{take}          one take: reasons, measures, maps
    GET  /api/takes/{take}/thumbnail, /report.html          its picture; its report (operators)
    GET  /api/takes.csv, .html      ?day= the day as files to download (operators)
    GET  /healthz                   {"ok": true} (no cookie)
    GET  /metrics                   Prometheus text; operator's cookie or bearer token; `--metrics`
    GET  /openapi.json              this HTTP interface
    WS   /ws                        the stream

Opening: the page connects to `/ws` and sends `hello` first. `client` is a random id that the page
makes once and keeps (sessionStorage): after a reconnection it sends `hello` with the same id and
then its unanswered writes again, with their old `client_seq`; a write that had already been applied
is answered `accepted` again and not applied twice. The server answers `welcome`, or `error` with
code `protocol` and closes (4400). Other close codes: 4401 no cookie or revoked, 4409 the client id
is another device's or was opened again elsewhere (take a new id), 4429 too many messages, 1001 the
server stops. A foreign origin or host is refused before the connection is accepted.

What each message is for stands at its class, as do who may send it (`only_for`), which message
answers it (`reply`) and what a newer one replaces (`key`).

Paths in a write name a place in the recipe by fields and stable ids: `screen/colour`,
`extractors/1f0c9a2b/refine/levels/clear_below`, `despill/77aa01fe/spill_by_hue/points`; the empty
path is the whole recipe. Items of lists that have ids are inserted, removed and moved; other lists
and `{"keys": …}` are set whole. `moving` is true while a control is dragged; writes with one
`gesture` are one step of undo. A write is refused only if another client changed one of its paths
(or something inside or around it) after revision `seen`, or if the value is not valid.

Binary messages are pictures: the header below, then the encoded bytes. Each must be answered by
`ack` with its `sequence` when drawn; at most two are on the way to one client (both ports
together). Flags: see `Flag`; encodings in bits 4..5. A picture of a region may be smaller than the
width asked for (never upscaled): scale it, by nearest neighbour beyond 1:1.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import IntEnum, IntFlag
from typing import Literal

from server.wire.messages import ClientMessage, client_adapter

PROTOCOL = 1
MAGIC = b"VDGF"
HEADER = struct.Struct("<4sHHIiQHHHHiiiiIIQ")
WIDTHS = (640, 960, 1280, 1920, 2560)
WINDOW = 2
"""pictures on the way to one client"""

Encoding = Literal["jpeg", "webp", "png"]
ENCODINGS: tuple[Encoding, ...] = ("jpeg", "webp", "png")


class ProtocolError(Exception):
    """A message that is not of this protocol; the text is fit for the sender."""


class Flag(IntFlag):
    """Bits of the header's flags; bits 4 and 5 hold the encoding's place in `ENCODINGS`."""

    MOVING = 1
    """made quickly while something moves; a better one follows"""
    DRAFT = 2
    """keyed at reduced size (the page says so)"""
    STRESS = 4
    """a stress view: not what the matte looks like"""
    PORT_1 = 8
    """for port 1, the other side of the wipe"""
    MISSING = 64
    """the frame is missing; held or black is shown"""
    FALLBACK = 128
    """the cuda engine failed at this frame, the cpu engine made it"""


class Closed(IntEnum):
    """Why a connection is closed by the service: codes of the websocket's private range."""

    PROTOCOL = 4400
    SIGNED_OUT = 4401
    FOREIGN = 4403
    ELSEWHERE = 4409
    TOO_MUCH = 4429


@dataclass(frozen=True)
class PictureHeader:
    """The header of a binary message; fields stand in the order of the wire."""

    flags: int
    frame: int
    revision: int
    view_id: int
    width: int
    height: int
    quality: int
    x0: int
    y0: int
    x1: int
    y1: int
    render_us: int
    encode_us: int
    sequence: int

    def pack(self) -> bytes:
        """Return the 64 bytes of the header."""
        return HEADER.pack(
            MAGIC,
            PROTOCOL,
            HEADER.size,
            self.flags,
            self.frame,
            self.revision,
            self.view_id,
            self.width,
            self.height,
            self.quality,
            self.x0,
            self.y0,
            self.x1,
            self.y1,
            self.render_us,
            self.encode_us,
            self.sequence,
        )

    @property
    def encoding(self) -> Encoding:
        """How the picture is encoded."""
        return ENCODINGS[(self.flags >> 4) & 3]


def encoding_flags(encoding: Encoding) -> int:
    """Return the header bits for an encoding."""
    return ENCODINGS.index(encoding) << 4


def unpack_header(message: bytes) -> tuple[PictureHeader, bytes]:
    """Return header and encoded picture of a binary message."""
    if len(message) < HEADER.size:
        raise ProtocolError("the message is shorter than a header")
    magic, version, length, *fields = HEADER.unpack_from(message)
    if magic != MAGIC or version != PROTOCOL or length < HEADER.size:
        raise ProtocolError("the message is not a picture of this protocol version")
    return PictureHeader(*fields), message[length:]


def snap_width(width: int) -> int:
    """Return the smallest served width that is at least `width`, else the largest."""
    return next((w for w in WIDTHS if w >= width), WIDTHS[-1])


def parse_message(text: str | bytes) -> ClientMessage:
    """Return the message in `text`.

    Raises ProtocolError, naming the first thing that is wrong, without repeating its value.
    """
    try:
        return client_adapter.validate_json(text)
    except ValueError as error:
        raise ProtocolError(_first_problem(error)) from None


def _first_problem(error: ValueError) -> str:
    problems = getattr(error, "errors", None)
    if problems is None:
        return "the message is not valid JSON text"
    first = problems(include_url=False, include_input=False, include_context=False)[0]
    where = ".".join(str(part) for part in first["loc"][:6])[:120]
    return f"message refused at '{where}': {str(first['msg'])[:160]}"

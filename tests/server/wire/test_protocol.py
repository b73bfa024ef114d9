"""The wire's form: header bytes, messages, refusals."""

from __future__ import annotations

import json

import pytest

from server.wire.messages import Show, Write
from server.wire.protocol import (
    Flag,
    PictureHeader,
    ProtocolError,
    encoding_flags,
    parse_message,
    snap_width,
    unpack_header,
)

GOLDEN = bytes.fromhex(
    "56444746"
    "0100"
    "4000"
    "11000000"
    "e9030000"
    "0700000000000000"
    "0300"
    "c003"
    "1c02"
    "5000"
    "00000000"
    "00000000"
    "80070000"
    "38040000"
    "dc050000"
    "84030000"
    "2a00000000000000"
)


def header() -> PictureHeader:
    return PictureHeader(
        flags=Flag.MOVING | encoding_flags("webp"),
        frame=1001,
        revision=7,
        view_id=3,
        width=960,
        height=540,
        quality=80,
        x0=0,
        y0=0,
        x1=1920,
        y1=1080,
        render_us=1500,
        encode_us=900,
        sequence=42,
    )


def test_header_has_its_golden_bytes() -> None:
    """Source: the layout <4sHHIiQHHHHiiiiIIQ of the design, written out by hand, little-endian."""
    assert header().pack() == GOLDEN
    assert len(GOLDEN) == 64


def test_header_is_read_back() -> None:
    """Common practice, no source."""
    read, payload = unpack_header(GOLDEN + b"picture")
    assert read == header()
    assert payload == b"picture"
    assert read.encoding == "webp"


@pytest.mark.parametrize(
    "broken", [b"", GOLDEN[:63], b"X" + GOLDEN[1:], GOLDEN[:4] + b"\xff\xff" + GOLDEN[6:]]
)
def test_other_bytes_are_not_a_picture(broken: bytes) -> None:
    """Common practice, no source."""
    with pytest.raises(ProtocolError):
        unpack_header(broken)


def test_widths_snap_up() -> None:
    """Common practice, no source."""
    assert [snap_width(w) for w in (1, 640, 641, 1000, 2560, 9999)] == [
        640,
        640,
        960,
        1280,
        2560,
        2560,
    ]


def test_messages_are_told_apart_by_type() -> None:
    """Common practice, no source."""
    write = parse_message(
        json.dumps(
            {
                "type": "write",
                "client_seq": 1,
                "seen": 0,
                "ops": [{"op": "set", "path": "screen/colour", "value": [0.1, 0.2, 0.3]}],
            }
        )
    )
    assert isinstance(write, Write)
    show = parse_message('{"type":"show","region":[0,0,10,10],"width":960}')
    assert isinstance(show, Show)
    assert show.region == (0, 0, 10, 10)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "null",
        "1",
        '{"type":"nothing"}',
        '{"type":"ack"}',
        '{"type":"ack","sequence":-1}',
        '{"type":"ack","sequence":1,"extra":1}',
        '{"type":"ack","sequence":"1"}',
        '{"type":"ack","sequence":1e400}',
        '{"type":"show","region":[0,0,1.5,2]}',
        '{"type":"show","name":"unknown"}',
        '{"type":"ping","t":NaN}',
        '{"type":"write","client_seq":1,"seen":0,"ops":[]}',
        '{"type":"hello","protocol":1,"client":"../etc"}',
        "[" * 5000,
        b"\xff\xfe\x00",
    ],
)
def test_what_is_not_a_message_is_refused(text: str | bytes) -> None:
    """Common practice, no source."""
    with pytest.raises(ProtocolError) as caught:
        parse_message(text)
    assert len(str(caught.value)) < 350


def test_a_refusal_does_not_repeat_the_value() -> None:
    """Common practice, no source: what was sent may be a token."""
    with pytest.raises(ProtocolError) as caught:
        parse_message('{"type":"hello","protocol":"secret-token","client":"a"}')
    assert "secret-token" not in str(caught.value)

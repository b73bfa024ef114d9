"""What page and server must say alike is the same on both sides."""

from __future__ import annotations

import dataclasses
import json
import subprocess
from collections.abc import Callable
from typing import Any

import pytest
from annotated_types import MaxLen
from pydantic import BaseModel

from kernels.recipe import CurvePoint, HueCurve, Recipe
from server.service import feeds
from server.wire import messages
from server.wire.protocol import (
    ENCODINGS,
    PROTOCOL,
    WIDTHS,
    Closed,
    Flag,
    PictureHeader,
    encoding_flags,
)
from tests.web.seat import Seat

ALL_DIFFERENT = PictureHeader(
    flags=Flag.MOVING | Flag.PORT_1 | Flag.FALLBACK | encoding_flags("png"),
    frame=-(2**31) + 5,
    revision=2**40 + 7,
    view_id=65533,
    width=2560,
    height=1441,
    quality=93,
    x0=-3,
    y0=-4,
    x1=8191,
    y1=4321,
    render_us=4_000_000_000,
    encode_us=3_999_999_999,
    sequence=2**50 + 9,
)


def length_of(model: type[BaseModel], field: str) -> int:
    """The longest text that a model's field takes."""
    lengths = (m.max_length for m in model.model_fields[field].metadata if isinstance(m, MaxLen))
    return next(lengths)


def limits_of(model: type[BaseModel], field: str) -> tuple[Any, Any]:
    """The least and the greatest number that a model's field takes, from its schema."""
    schema = model.model_json_schema()["properties"][field]
    return schema["minimum"], schema["maximum"]


@pytest.fixture(scope="module")
def page(node: Callable[..., subprocess.CompletedProcess[str]]) -> dict[str, Any]:
    """The page's constants, and what it reads from a header that has all values different."""
    found = node("constants.mjs", ALL_DIFFERENT.pack().hex(), "00" * 64, "5644")
    assert found.returncode == 0, found.stderr
    values: dict[str, Any] = json.loads(found.stdout)
    return values


def test_the_protocol_has_the_same_numbers(page: dict[str, Any]) -> None:
    """Our own rule, no outside source."""
    assert page["PROTOCOL"] == PROTOCOL
    assert page["WIDTHS"] == list(WIDTHS)
    assert page["ENCODINGS"] == [f"image/{name}" for name in ENCODINGS]
    flags = {flag.name.lower().replace("_", ""): flag.value for flag in Flag if flag.name}
    assert page["FLAG"] == flags
    closed = {code.name.lower(): code.value for code in Closed}
    assert page["CLOSED"].items() <= closed.items()


def test_a_header_is_read_as_it_was_packed(page: dict[str, Any]) -> None:
    """Our own rule, no outside source: every field, and nothing that is no header."""
    read, *others = page["headers"]
    assert others == [None, None]
    sent = dataclasses.asdict(ALL_DIFFERENT)
    assert read["region"] == [sent.pop(key) for key in ("x0", "y0", "x1", "y1")]
    names = {"view_id": "viewId", "render_us": "renderUs", "encode_us": "encodeUs"}
    assert {key: read[names.get(key, key)] for key in sent} == sent
    assert (read["length"], read["port"], read["mime"]) == (64, 1, "image/png")


def test_what_is_written_is_not_longer_than_the_server_takes(page: dict[str, Any]) -> None:
    """Our own rule, no outside source."""
    assert page["LABEL_LENGTH"] == length_of(messages.Write, "label")
    assert page["NOTE_LENGTH"] == length_of(messages.NoteAdd, "text")
    assert page["NOTE_LENGTH"] == length_of(messages.TakeNote, "text")
    assert page["NAME_LENGTH"] == length_of(messages.RecipeSaveAs, "name")
    assert page["NAME_LENGTH"] <= length_of(messages.Hello, "name")
    assert page["NAME_LENGTH"] == length_of(Recipe, "name")
    assert page["CURVE_POINTS"] == length_of(HueCurve, "points")


def test_ranges_are_those_of_the_models(page: dict[str, Any]) -> None:
    """Our own rule, no outside source."""
    least, most = limits_of(CurvePoint, "value")
    assert all(least <= low < high <= most for low, high in page["CURVE_RANGE"].values())
    assert page["CURVE_RANGE"]["saturation_by_hue"] == [least, most]
    for name, high in page["STRESS_MOST"].items():
        assert high == limits_of(messages.StressRequest, name)[1]


def test_a_silent_connection_is_not_given_up_too_early(page: dict[str, Any]) -> None:
    """Our own rule, no outside source: at least five words of the server may be late."""
    every_ms = 1000 * feeds.TICK_S * feeds.STATUS_EVERY
    assert page["SILENT_MS"]["off"] >= page["SILENT_MS"]["on"] >= 5 * every_ms


def test_what_the_page_says_of_fields_exists(desk: Seat) -> None:
    """Our own rule, no outside source: no rule for a setting that there is not."""
    found = desk.page.evaluate(
        """async () => {
            const { ACTS_WITH, CALLED } = await import("/js/form.js");
            return [ACTS_WITH, Object.keys(CALLED)];
        }"""
    )
    acts_with, called = found
    models = {"Recipe": Recipe.model_json_schema(), **Recipe.model_json_schema()["$defs"]}

    def field(name: str) -> dict[str, Any]:
        model, key = name.split(".")
        node: dict[str, Any] = models[model]["properties"][key]
        return node

    for name, (other, values) in acts_with.items():
        assert field(name)
        assert set(values) <= set(field(f"{name.split('.')[0]}.{other}")["enum"]), name
    assert all(field(name) for name in called)

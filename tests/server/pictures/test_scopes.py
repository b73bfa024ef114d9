"""Scopes and samples against standards and colour-science; encoders against Pillow."""

from __future__ import annotations

import base64
import colorsys
import io
import warnings

import numpy as np
import pytest
from PIL import Image

from server.pictures.encode import encode
from server.pictures.keys import PictureCache, PictureKey, Quality, Sight
from server.pictures.probe import CHANNELS, channels_of, clipped, limited, suggestion
from server.pictures.scopes import (
    DISC,
    TARGETS,
    WAVE,
    cb_cr,
    density,
    histogram,
    hues,
    vectorscope,
    waveform,
)
from server.wire.replies import ChannelSeparation, Density
from tests.server.pictures.test_scheduler import picture

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # the library announces at import that plotting is missing
    import colour

WEIGHTS = (0.2722287, 0.6740818, 0.0536895)


def unpacked(made: Density, plane: int = 0) -> np.ndarray:
    raw = base64.b64decode(made.planes[plane])
    return np.frombuffer(raw, np.uint8).reshape(made.height, made.width)


@pytest.mark.parametrize("level", [0.75, 1.0])
def test_the_vectorscopes_targets_are_the_bars_of_bt_709(level: float) -> None:
    """Source: ITU-R BT.709-6 matrix through colour-science; bar levels of ITU-R BT.1729."""
    bars = {
        "red": (1, 0, 0),
        "yellow": (1, 1, 0),
        "green": (0, 1, 0),
        "cyan": (0, 1, 1),
        "blue": (0, 0, 1),
        "magenta": (1, 0, 1),
    }
    for name, bar in bars.items():
        expected = colour.RGB_to_YCbCr(
            np.array(bar) * level,
            K=colour.WEIGHTS_YCBCR["ITU-R BT.709"],
            in_legal=False,
            out_legal=False,
        )
        target = next(t for t in TARGETS if t.name == name and t.level == round(100 * level))
        assert (target.cb, target.cr) == pytest.approx(expected[1:], abs=1e-6)


def test_chroma_of_random_colours() -> None:
    """Source: ITU-R BT.709-6 matrix through colour-science."""
    rgb = np.random.default_rng(0).random((50, 3))
    expected = colour.RGB_to_YCbCr(
        rgb, K=colour.WEIGHTS_YCBCR["ITU-R BT.709"], in_legal=False, out_legal=False
    )
    assert np.stack(cb_cr(rgb), axis=-1) == pytest.approx(expected[:, 1:], abs=1e-6)


def test_a_bar_lights_its_target_on_the_vectorscope() -> None:
    """Source: ITU-R BT.709-6; up is Cr, right is Cb."""
    for target in (t for t in TARGETS if t.level == 100):
        rgb = {
            "red": (255, 0, 0),
            "yellow": (255, 255, 0),
            "green": (0, 255, 0),
            "cyan": (0, 255, 255),
            "blue": (0, 0, 255),
            "magenta": (255, 0, 255),
        }[target.name]
        made = unpacked(vectorscope(np.full((4, 4, 3), rgb, np.uint8)))
        y, x = np.argwhere(made == 255)[0]
        assert (x + 0.5) / DISC - 0.5 == pytest.approx(target.cb, abs=1.5 / DISC)
        assert 0.5 - (y + 0.5) / DISC == pytest.approx(target.cr, abs=1.5 / DISC)


def test_the_waveform_shows_a_ramp_as_a_diagonal() -> None:
    """Common practice, no source: bright is up, the column is the place in the picture."""
    ramp = np.repeat(np.arange(256, dtype=np.uint8)[None, :, None], 8, 0).repeat(3, 2)
    made = unpacked(waveform(ramp), plane=1)
    assert made.shape == (WAVE[1], WAVE[0])
    tops = made.argmax(axis=0)
    assert tops[0] == WAVE[1] - 1
    assert tops[-1] == 0
    assert (np.diff(tops) <= 0).all()


def test_the_histogram_opens_as_far_as_the_values_go() -> None:
    """Common practice, no source: a highlight of 4 and a -0.1 are on it."""
    pixels = np.full((3, 10, 10), 0.18, np.float32)
    pixels[:, 0, 0], pixels[0, 1, 1] = 4.0, -0.1
    made = histogram(pixels, WEIGHTS)
    assert (made.low, made.high) == pytest.approx((-0.1, 4.0))
    assert all(sum(counts) == 100 for counts in made.counts.values())
    assert made.counts["green"][-1] == 1
    assert made.counts["red"][0] == 1
    assert list(made.counts) == list(CHANNELS)
    flat = histogram(np.full((3, 4, 4), 0.5, np.float32), WEIGHTS)
    assert sum(flat.counts["luminance"]) == 16


def test_hues_stand_where_colorsys_says() -> None:
    """Source: Python's colorsys."""
    rng = np.random.default_rng(3)
    for rgb in rng.random((20, 3)):
        hue, saturation, _ = colorsys.rgb_to_hsv(*rgb)
        made, counts = hues(rgb.reshape(3, 1, 1).astype(np.float32).repeat(4, 2))
        assert int(np.argmax(counts)) in {int(hue * 360), int(hue * 360 + 1e-3) % 360}
        y, x = np.argwhere(unpacked(made) == 255)[0]
        px, py = (x + 0.5) / DISC * 2 - 1, 1 - (y + 0.5) / DISC * 2
        assert px == pytest.approx(saturation * np.cos(2 * np.pi * hue), abs=3 / DISC)
        assert py == pytest.approx(saturation * np.sin(2 * np.pi * hue), abs=3 / DISC)


def test_density_of_nothing_is_nothing() -> None:
    """Common practice, no source."""
    assert not density(np.array([], int), np.array([], int), 4, 4).any()


def test_channels() -> None:
    """Source: Python's colorsys for saturation."""
    rgb = np.array([0.2, 0.5, 0.3]).reshape(3, 1)
    made = {name: float(values[0]) for name, values in channels_of(rgb, WEIGHTS).items()}
    assert made["largest"] == 0.5
    assert made["smallest"] == 0.2
    assert made["luminance"] == pytest.approx(np.dot([0.2, 0.5, 0.3], WEIGHTS))
    assert made["saturation"] == pytest.approx(colorsys.rgb_to_hsv(0.2, 0.5, 0.3)[1])


@pytest.mark.parametrize(("a", "b"), [(0.1, 0.9), (0.9, 0.1), (-0.2, 3.0)])
def test_a_suggested_band_takes_one_region_and_leaves_the_other(a: float, b: float) -> None:
    """Common practice, no source."""
    band = suggestion(
        ChannelSeparation(
            channel="red",
            space="linear",
            a_mean=a,
            a_sigma=0.01,
            b_mean=b,
            b_sigma=0.01,
            separation=9,
        )
    )

    def taken(v: float) -> bool:
        low, high = band["low_in"], band["high_in"]
        return (low is None or v >= low) and (high is None or v <= high)

    def left(v: float) -> bool:
        low, high = band["low_out"], band["high_out"]
        return (low is not None and v <= low) or (high is not None and v >= high)

    assert taken(a)
    assert left(b)


def test_boxes_are_pulled_into_the_frame() -> None:
    """Common practice, no source."""
    assert clipped((-5, -5, 3, 3), 10, 8) == (0, 0, 3, 3)
    assert clipped((50, 50, 60, 60), 10, 8) == (9, 7, 10, 8)
    assert clipped((4, 4, 4, 4), 10, 8) == (4, 4, 5, 5)
    x0, y0, x1, y1 = limited((0, 0, 8000, 4000))
    assert (x1 - x0) * (y1 - y0) <= 4_000_000


@pytest.mark.parametrize("quality", list(Quality))
@pytest.mark.parametrize("grey", [False, True])
def test_pictures_are_what_they_say(quality: Quality, grey: bool) -> None:
    """Source: JPEG, PNG and WebP decoded by Pillow."""
    y, x = np.mgrid[:33, :47]
    pixels = np.stack([x * 5, y * 7, x * 0 + 90], axis=-1).astype(np.uint8)
    if grey:
        pixels = np.ascontiguousarray(np.repeat(pixels[:, :, :1], 3, axis=2))
    made = encode(pixels, quality)
    image = Image.open(io.BytesIO(made.data))
    assert image.format is not None
    assert image.format.lower() == made.encoding
    read = np.asarray(image.convert("RGB")).astype(int)
    worst = int(np.abs(read - pixels).max())
    assert worst <= {Quality.MOVING: 40, Quality.REST: 8, Quality.LOSSLESS: 0}[quality]
    if made.encoding == "jpeg":
        sampling = image.layer[0][1:3]  # type: ignore[attr-defined]
        assert sampling == ((2, 2) if quality is Quality.MOVING else (1, 1))


def test_the_cache_keeps_its_limit() -> None:
    """Common practice, no source."""
    cache = PictureCache(limit_bytes=3000)
    keys = [PictureKey(0, n, 1, Sight("plate"), 9, 9, Quality.REST) for n in range(50)]
    for key in keys:
        cache.put(key, picture(key))
        assert cache.bytes <= 3000
    assert keys[-1] in cache
    assert keys[0] not in cache
    cache.put(keys[-1], picture(keys[-1]))
    assert cache.bytes == sum(len(p.data) for p in cache._pictures.values())


def test_pictures_of_an_older_revision_are_let_go() -> None:
    """Common practice, no source: a day of changes keeps no more memory than one."""
    cache = PictureCache()
    keys = [
        PictureKey(remakes, revision, 1, Sight("plate"), 9, 9, Quality.REST)
        for remakes in (0, 1)
        for revision in (1, 2)
    ]
    for key in keys:
        cache.put(key, picture(key))
    cache.keep_only(1, 2)
    assert [key in cache for key in keys] == [False, False, False, True]
    assert cache.bytes == len(picture(keys[-1]).data)

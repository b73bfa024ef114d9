"""Range, matrix and chroma siting of video, against ITU-T H.273 and PyAV's own subsampling."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from av.filter import Graph
from numpy.typing import NDArray

from server.media import MediaError, yuv
from server.media.movies import Movie

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # colour-science warns on import that plotting is not there.
    import colour

Array = NDArray[Any]
SIZE = 64
SITINGS = ["left", "center", "topleft", "top", "bottomleft", "bottom"]


def chroma_edge(position: float, upright: bool) -> Array:
    """Three 16-bit planes: flat luma, and chroma with a soft edge at a position in pixels."""
    across = np.arange(SIZE) + 0.5
    profile = 0.3 + 0.4 / (1 + np.exp(-(across - position) / 1.5))
    chroma = np.tile(profile, (SIZE, 1))
    chroma = chroma if upright else chroma.T
    return np.rint(np.stack([np.full_like(chroma, 0.5), chroma, chroma]) * 65280).astype("<u2")


def subsampled(planes: Array, pix_fmt: str, siting: str) -> av.VideoFrame:
    """The planes subsampled by PyAV's scaler to a siting."""
    frame = av.VideoFrame(SIZE, SIZE, "yuv444p16le")
    for plane, values in zip(frame.planes, planes, strict=True):
        plane.update(values.tobytes())
    frame.pts = 0
    graph = Graph()
    source = graph.add_buffer(
        width=SIZE, height=SIZE, format=frame.format, time_base=Fraction(1, 24)
    )
    scale = graph.add("scale", f"out_chroma_loc={siting}:flags=bicubic+accurate_rnd")
    wanted = graph.add("format", f"pix_fmts={pix_fmt}")
    sink = graph.add("buffersink")
    source.link_to(scale)
    scale.link_to(wanted)
    wanted.link_to(sink)
    graph.configure()
    graph.push(frame)
    result: Any = graph.pull()
    return result  # type: ignore[no-any-return]


def crossing(profile: Array, level: float) -> float:
    """Where a rising profile passes a level, in pixels."""
    after = int(np.argmax(profile >= level))
    low, high = profile[after - 1], profile[after]
    return after - 0.5 + float((level - low) / (high - low))


@pytest.mark.parametrize("siting", range(6))
@pytest.mark.parametrize("pix_fmt", ["yuv420p", "yuv422p10le", "yuv420p10le"])
@pytest.mark.parametrize("upright", [True, False])
def test_a_chroma_edge_stays_within_a_tenth_of_a_pixel(
    pix_fmt: str, siting: int, upright: bool
) -> None:
    """Source: ITU-T H.273 chroma sample location types; PyAV's scaler does the subsampling."""
    for position in (30.0, 30.37, 31.0, 31.5):
        frame = subsampled(chroma_edge(position, upright), pix_fmt, SITINGS[siting])
        bits = frame.format.components[1].bits
        plane = yuv._plane(frame.planes[1], bits).astype(np.float32) / (255 * 2 ** (bits - 8))
        full = yuv.upsample_chroma(plane, (SIZE, SIZE), yuv.SITING[siting])
        profile = full[SIZE // 2] if upright else full[:, SIZE // 2]
        assert abs(crossing(profile, 0.5) - position) < 0.1


def test_the_wrong_siting_shows() -> None:
    """Source: ITU-T H.273: left and centre are half a luma sample apart."""
    frame = subsampled(chroma_edge(31.0, True), "yuv420p", "left")
    plane = yuv._plane(frame.planes[1], 8).astype(np.float32) / 255
    full = yuv.upsample_chroma(plane, (SIZE, SIZE), yuv.SITING[1])
    assert abs(crossing(full[SIZE // 2], 0.5) - 31.5) < 0.1


@pytest.mark.parametrize("siting", range(6))
def test_the_siting_is_read_from_the_stream(make_movie: Callable[..., Path], siting: int) -> None:
    """Source: ITU-T H.264 annex E, chroma_sample_loc_type; written by the encoder, seen end to
    end as the place of the edge in decoded blue."""
    frame = subsampled(chroma_edge(31.0, True), "yuv420p", SITINGS[siting])
    path = make_movie(
        "a.mp4", [frame], options={"crf": "0", "preset": "ultrafast",
                                   "x264-params": f"chromaloc={siting}"},
    )  # fmt: skip
    movie = Movie(path)
    assert movie.signal.siting == yuv.SITING[siting]
    blue = movie.read(1)[0][2, SIZE // 2]
    grey = (0.5 * 255 - 16) / 219
    assert abs(crossing(blue, grey) - 31.0) < 0.1


@pytest.mark.parametrize(("codec", "pix_fmt", "siting"), [
    ("libx264", "yuv420p", 0), ("mjpeg", "yuvj420p", 1), ("prores_ks", "yuv422p10le", 0),
])  # fmt: skip
def test_siting_when_the_stream_is_silent(
    make_movie: Callable[..., Path], codec: str, pix_fmt: str, siting: int
) -> None:
    """Source: ITU-T H.264 annex E (type 0 inferred); JFIF 1.02 (samples centred)."""
    frames = [np.full((48, 64, 3), 90, np.uint8)]
    path = make_movie("a.mov", frames, codec=codec, pix_fmt=pix_fmt)
    assert Movie(path).signal.siting == yuv.SITING[siting]


@pytest.mark.parametrize(
    ("matrix", "name"),
    [(1, "ITU-R BT.709"), (5, "ITU-R BT.601"), (6, "ITU-R BT.601"), (9, "ITU-R BT.2020")],
)
@pytest.mark.parametrize("bits", [8, 10, 12])
@pytest.mark.parametrize("full_range", [True, False])
def test_matrix_and_range(matrix: int, name: str, bits: int, full_range: bool) -> None:
    """Source: colour-science RGB_to_YCbCr with ITU-R BT.709-6, BT.601-7 and BT.2020-2 weights."""
    rgb = np.random.default_rng(bits).uniform(0, 1, (5, 7, 3))
    weights = colour.WEIGHTS_YCBCR[name]
    codes = colour.RGB_to_YCbCr(
        rgb, K=weights, out_bits=bits, out_legal=not full_range, out_int=True
    )
    luma = yuv._scale_luma(codes[..., 0], bits, full_range)
    cb, cr = (yuv._scale_chroma(codes[..., i], bits, full_range) for i in (1, 2))
    result = yuv.rgb_from_ycbcr(luma, cb, cr, matrix)
    steps = 1.7 / (2**bits * (1.0 if full_range else 219 / 255))
    assert np.abs(np.moveaxis(result, 0, -1) - rgb).max() < steps


def test_bars_have_the_codes_of_the_equations() -> None:
    """100 % yellow, cyan and green in 10 bits, worked by hand.

    Source: ITU-R BT.709-6, items 3.2 to 3.5: the equations of luma, colour difference and codes.
    """
    codes = {(1, 1, 0): (877, 64, 553), (0, 1, 1): (754, 615, 64), (0, 1, 0): (691, 167, 105)}
    for rgb, (y, cb, cr) in codes.items():
        parts = [
            yuv._scale_luma(np.array([[y]]), 10, False),
            yuv._scale_chroma(np.array([[cb]]), 10, False),
            yuv._scale_chroma(np.array([[cr]]), 10, False),
        ]
        np.testing.assert_allclose(yuv.rgb_from_ycbcr(*parts, 1)[:, 0, 0], rgb, atol=0.002)


def test_foot_and_head_room_survive() -> None:
    """Source: ITU-R BT.709-6: codes below black and above white are legal video."""
    luma = yuv._scale_luma(np.array([[1, 254]]), 8, False)
    assert luma[0, 0] < -0.06
    assert luma[0, 1] > 1.08


@pytest.mark.parametrize("shape", [(1, 1), (3, 5), (7, 2), (5, 9)])
def test_odd_sizes(shape: tuple[int, int]) -> None:
    """Common practice, no source: chroma of odd pictures is rounded up; a flat plane stays flat."""
    chroma = np.full((-(-shape[0] // 2), -(-shape[1] // 2)), 0.25, np.float32)
    full = yuv.upsample_chroma(chroma, shape, (0.0, 0.5))
    assert full.shape == shape
    np.testing.assert_allclose(full, 0.25, rtol=1e-6)


@pytest.mark.parametrize("matrix", [0, 2, 8, 10, 14])
def test_other_matrices_are_refused(matrix: int) -> None:
    """Source: ITU-T H.273 table 4: YCgCo, constant luminance and ICtCp need other equations."""
    one = np.ones((2, 2), np.float32)
    with pytest.raises(MediaError, match=f"value {matrix}"):
        yuv.rgb_from_ycbcr(one, one, one, matrix)


@pytest.mark.parametrize("name", ["bayer_bggr8", "xyz12le", "gbrpf32le", "yuv420p10be", "monow"])
def test_other_pixel_formats_are_refused(name: str) -> None:
    """Common practice, no source."""
    with pytest.raises(MediaError, match=name):
        yuv.planar_format(name)

"""Chroma subsampling and block edges told from pictures that went through a real codec."""

from __future__ import annotations

from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from kernels.measure.codec_marks import block_edges, chroma_format, lattice_ratio
from server.media import open_shot
from tests.server.survey.screens import encoded, flat, noisy, with_disc


def picture() -> np.ndarray:
    """Return an encoded picture with detail in colour."""
    rng = np.random.default_rng(1)
    image, alpha = with_disc(flat(640, 360), 0.8)
    paint = np.stack(
        [
            cv2.GaussianBlur(rng.standard_normal((360, 640)).astype(np.float32), (0, 0), 1.6) * 3
            for _ in range(3)
        ]
    )
    image = image * np.clip(1 + 0.8 * alpha * paint, 0.05, 4)
    return encoded(noisy(image.astype(np.float32), 2e-4, 1e-5))


def movie(path: Path, pixel_format: str, quality: int) -> Path:
    """Write three frames of `picture` by an independent encoder."""
    code = (picture() * 255 + 0.5).astype(np.uint8).transpose(1, 2, 0)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=24)
        stream.width, stream.height, stream.pix_fmt = 640, 360, pixel_format
        stream.options = {"crf": str(quality)}
        for _ in range(3):
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(code), format="rgb24")
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


@pytest.mark.parametrize("quality", [5, 12, 18])
@pytest.mark.parametrize(
    ("pixel_format", "expected"),
    [("yuv444p", "4:4:4"), ("yuv422p", "4:2:2"), ("yuv420p", "4:2:0")],
)
def test_subsampling_is_told_apart(
    tmp_path: Path, pixel_format: str, expected: str, quality: int
) -> None:
    """Source: PyAV-made 4:4:4, 4:2:2, 4:2:0 (ITU-T H.273 siting), pictures alone."""
    shot = open_shot(movie(tmp_path / "a.mp4", pixel_format, quality))
    pixels = shot.read(2).pixels
    assert chroma_format(shot.colour.from_working(pixels, shot.colourspace)) == expected
    assert shot.chroma == expected


def test_a_camera_mosaic_is_not_subsampling() -> None:
    """Common practice, no source: red and blue of a mosaic lie on different lattices."""
    code = picture()
    red, blue = code[0].copy(), code[2].copy()
    red[:, 1:-1:2] = (red[:, :-2:2] + red[:, 2::2]) / 2
    blue[:, 2:-1:2] = (blue[:, 1:-2:2] + blue[:, 3::2]) / 2
    assert chroma_format(np.stack([red, code[1], blue])) == "4:4:4"


def test_a_picture_without_chroma_detail_does_not_tell() -> None:
    """Common practice, no source."""
    assert chroma_format(np.full((3, 64, 64), 0.5, np.float32)) == "unknown"
    assert lattice_ratio(np.zeros((40, 40), np.float32), 1) is None


@pytest.mark.parametrize("size", [8, 16])
def test_block_edges(size: int) -> None:
    """Common practice, no source: blocks of known size with steps of known height."""
    rng = np.random.default_rng(6)
    steps = rng.uniform(-1, 1, (288 // size, 640 // size)) * 4 / 255
    luma = 0.4 + np.kron(steps, np.ones((size, size))) + rng.normal(0, 0.3 / 255, (288, 640))
    found, height = block_edges(np.stack([luma] * 3).astype(np.float32))
    assert found == size
    assert height == pytest.approx(np.abs(np.diff(steps, axis=1)).mean() * 255, rel=0.35)
    assert block_edges(noisy(flat(640, 288), 0, 1e-4)) == (0, 0.0)

"""The truth shots are what they say: exact, deterministic, honest about their noise."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from demo_media import KINDS, TruthShot, truth_shot
from demo_media import camera as cam
from demo_media.codec import (
    REC709_FROM_ACESCG,
    linear_from_rec709,
    rec709_encoded,
    through_codec,
    working_from_yuv420,
    yuv420_from_working,
)
from demo_media.raster import SUPERSAMPLE, polygon_coverage


@cache
def small(seed: int, kind: str | None = None) -> TruthShot:
    return truth_shot(seed, width=320, height=180, kind=kind)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_exact_and_finite(kind: str) -> None:
    """Source: Smith & Blinn 1996, the compositing equation; checked before the camera."""
    shot = small(3, kind)
    assert shot.kind == kind
    assert shot.primary == ("blue" if kind.startswith("blue") else "green")
    for image in (shot.plate, shot.foreground, shot.foreground_clean, shot.clean_plate):
        assert image.shape == (3, 180, 320)
        assert image.dtype == np.float32
        assert np.isfinite(image).all()
    assert shot.alpha.min() == 0
    assert shot.alpha.max() == pytest.approx(1, abs=1e-6)
    assert np.all(shot.foreground >= shot.foreground_clean - 1e-3)
    masks = shot.edge_mask.astype(int) + shot.core_mask + shot.screen_mask
    assert np.all(masks == 1)
    assert min(shot.edge_mask.sum(), shot.core_mask.sum(), shot.screen_mask.sum()) > 500
    k = 2 if shot.primary == "blue" else 1
    others = [c for c in range(3) if c != k]
    if not shot.codec:
        for mask in (shot.core_mask, shot.screen_mask):
            residual = (shot.plate - shot.light)[:, mask]
            assert np.abs(residual.mean(axis=1)).max() < 1e-3
            assert 0.001 < residual.std() < 0.04
    assert np.all(shot.clean_plate[k] > 1.3 * shot.clean_plate[others].max(axis=0))


def test_seeds_cover_all_kinds_twice_with_different_pictures() -> None:
    """Common practice, no source: tune on some seeds, report on others."""
    assert [small(s).kind for s in range(len(KINDS))] == list(KINDS)
    for seed in range(len(KINDS)):
        near, far = small(seed), small(100 + seed)
        assert near.kind == far.kind
        assert np.abs(near.alpha - far.alpha).mean() > 0.01


def test_the_same_seed_gives_the_same_bytes_and_frames_differ() -> None:
    """Common practice, no source."""
    again = truth_shot(7, width=320, height=180)
    for name in ("plate", "alpha", "foreground", "clean_plate", "background"):
        assert np.array_equal(getattr(again, name), getattr(small(7), name))
    later = truth_shot(1, width=320, height=180, frame=3)
    assert np.array_equal(later.clean_plate, small(1).clean_plate)
    assert np.abs(later.alpha - small(1).alpha).max() > 0.5


def test_highlights_exceed_one_and_smoke_is_soft() -> None:
    """Common practice, no source."""
    assert 2 < small(4).foreground.max() < 5
    smoke = small(2).alpha
    assert ((smoke > 0.02) & (smoke < 0.9)).mean() > 0.03


def test_unknown_kinds_and_odd_sizes_are_refused() -> None:
    """Common practice, no source."""
    with pytest.raises(ValueError, match="expected one of"):
        truth_shot(0, kind="snow")
    with pytest.raises(ValueError, match="even size"):
        truth_shot(0, width=321, height=180)


def test_coverage_of_polygons_is_the_exact_area() -> None:
    """Source: areas of a rectangle and a triangle, worked by hand; 1/16 px an edge is allowed."""
    box = (0, 0, 24, 20)
    square = np.array([[3.25, 4.5], [15.25, 4.5], [15.25, 12.0], [3.25, 12.0]])
    cover = polygon_coverage([square], box)
    allowed = 1.02 * 2 * (12 + 7.5) / (2 * SUPERSAMPLE)
    assert cover.sum() == pytest.approx(90.0, abs=allowed)
    assert cover[8, 3] == pytest.approx(0.75, abs=1 / SUPERSAMPLE)
    assert cover[8, 10] == 1
    assert cover[2, 10] == 0
    triangle = np.array([[2.0, 2.0], [20.0, 2.0], [2.0, 18.0]])
    assert polygon_coverage([triangle], box).sum() == pytest.approx(144.0, rel=0.03)


def test_demosaic_keeps_flat_colour_and_a_straight_ramp() -> None:
    """Source: Malvar, He & Cutler 2004: the filters sum to one and are symmetric."""
    flat = np.ones((3, 24, 32), np.float32) * np.array([0.2, 0.5, 0.1], np.float32)[:, None, None]
    np.testing.assert_allclose(cam.demosaic(cam.mosaic(flat)), flat, atol=1e-6)
    grey = np.broadcast_to(np.linspace(0, 1, 32, dtype=np.float32), (3, 24, 32)).copy()
    inner = (slice(None), slice(4, -4), slice(4, -4))
    got = cam.demosaic(cam.mosaic(grey))
    np.testing.assert_allclose(got[inner], grey[inner], atol=1e-5)


def test_covariance_after_demosaic_and_matrix_meets_the_measured_one() -> None:
    """Source: propagation of covariance through linear filters, against 300 000 noisy samples."""
    noise = cam.Noise(slope=(1e-4, 0.7e-4, 1.2e-4), floor=(6e-6, 4e-6, 7e-6))
    colour = np.array([0.17, 0.36, 0.12], np.float32)
    light = np.broadcast_to(colour[:, None, None], (3, 500, 640)).copy()
    picture = cam.expose(light, noise, np.random.default_rng(8))
    inner = picture[:, 8:-8, 8:-8].reshape(3, -1)
    np.testing.assert_allclose(inner.mean(axis=1), colour, atol=2e-4)
    predicted = noise.covariance(colour)
    scale = np.sqrt(np.outer(np.diag(predicted), np.diag(predicted)))
    assert np.abs((np.cov(inner) - predicted) / scale).max() < 0.02


def test_video_curve_and_matrix_are_bt709() -> None:
    """Source: ITU-R BT.709-6, items 1.2 and 3; colour matrix from OpenColorIO's studio config."""
    x = np.array([0.0, 0.01, 0.018, 0.18, 1.0], np.float32)
    expected = [0.0, 0.045, 1.099 * 0.018**0.45 - 0.099, 1.099 * 0.18**0.45 - 0.099, 1.0]
    np.testing.assert_allclose(rec709_encoded(x), expected, atol=2e-4)
    np.testing.assert_allclose(linear_from_rec709(rec709_encoded(x)), x, atol=2e-4)
    import PyOpenColorIO as ocio

    config = ocio.Config.CreateFromFile("ocio://studio-config-latest")
    processor = config.getProcessor("ACEScg", "Linear Rec.709 (sRGB)").getDefaultCPUProcessor()
    columns = [processor.applyRGB(list(row)) for row in np.eye(3)]
    np.testing.assert_allclose(REC709_FROM_ACESCG, np.array(columns).T, atol=1e-6)


def test_video_planes_of_known_colours() -> None:
    """Source: ITU-R BT.709-6, item 3.4 and 3.5: 8-bit narrow range, worked by hand."""
    white, black = (np.full((3, 8, 8), v, np.float32) for v in (1.0, 0.0))
    for image, luma in ((white, 235), (black, 16)):
        y, cb, cr = yuv420_from_working(image)
        assert (y.shape, cb.shape, cr.shape) == ((8, 8), (4, 4), (4, 4))
        assert np.all(np.abs(y.astype(int) - luma) <= 1)
        assert np.all(np.abs(cb.astype(int) - 128) <= 1)
        assert np.all(np.abs(cr.astype(int) - 128) <= 1)
    ramp = np.broadcast_to(np.linspace(0.05, 0.8, 64, dtype=np.float32), (3, 32, 64)).copy()
    back = working_from_yuv420(*yuv420_from_working(ramp))
    np.testing.assert_allclose(back, ramp, atol=0.012)
    tinted = ramp * np.array([0.7, 1.0, 0.5], np.float32)[:, None, None]
    back = working_from_yuv420(*yuv420_from_working(tinted))
    np.testing.assert_allclose(back, tinted, atol=0.025)


def test_codec_shots_went_through_the_codec() -> None:
    """Common practice, no source: 8-bit 4:2:0 blurs colour and keeps a flat screen's level."""
    shot = small(7)
    assert shot.codec
    assert not shot.noise.exact
    sharp = np.zeros((3, 64, 96), np.float32) + 0.2
    sharp[0, :, 47:] = 0.6
    soft = through_codec(sharp)
    assert np.abs(soft[:, :, 8:30] - 0.2).max() < 0.01
    assert np.abs(soft[0] - sharp[0]).max() > 0.03

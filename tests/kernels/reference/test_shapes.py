"""Shapes against exact areas, Pillow and scikit-image on a fine grid, and geometry by hand."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageDraw
from scipy import special
from skimage.draw import polygon2mask

from kernels import recipe as rc
from kernels.reference import shapes as s

SETTINGS = settings(max_examples=25, deadline=None)
seeds = st.integers(0, 2**31 - 1)


def shape(kind: Any, points: Any, **more: Any) -> rc.Shape:
    pose = rc.ShapePose(frame=1, points=[(float(x), float(y)) for x, y in points])
    return rc.Shape(kind=kind, poses=[pose], **more)


def mask(one: rc.Shape, width: int = 40, height: int = 30, **more: Any) -> Any:
    got = s.rasterise([one], 1, width, height, **more)
    assert got.shape == (height, width)
    assert got.dtype == np.float32
    assert got.min() >= 0
    assert got.max() <= 1
    return got


# ---------------------------------------------------------------- coverage


def test_a_rectangle_covers_its_share_of_each_pixel() -> None:
    """Source: areas worked by hand; pixel (0, 0) spans 0 to 1, its centre is (0.5, 0.5)."""
    got = mask(shape("rectangle", [(4.75, 3), (1.5, 1.25)]), 6, 4)
    across, down = [0, 0.5, 1, 1, 0.75, 0], [0, 0.75, 1, 0]
    assert np.allclose(got, np.outer(down, across), atol=1e-7)


@SETTINGS
@given(seeds, st.integers(3, 9))
def test_a_polygon_covers_its_area(seed: int, corners: int) -> None:
    """Star-shaped polygons inside the frame: the mask's sum is the area.

    Source: the shoelace formula (Gauss).
    """
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, corners))
    reach = rng.uniform(3, 12, corners)
    x, y = 20 + reach * np.cos(angle), 15 + reach * np.sin(angle)
    # a corner beyond half a turn from the next puts the middle outside, the area stays right
    area = 0.5 * abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
    gaps = np.diff(np.append(angle, angle[0] + 2 * np.pi))
    got = mask(shape("polygon", zip(x, y, strict=True))).sum()
    assert got == pytest.approx(area, rel=1e-5, abs=1e-3) or gaps.max() > np.pi


@SETTINGS
@given(seeds, st.integers(3, 12))
def test_any_polygon_against_a_fine_grid(seed: int, corners: int) -> None:
    """Convex outlines that may lie partly outside the frame, 32 x 32 samples a pixel.

    Source: scikit-image polygon2mask.
    """
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, corners))
    centre = rng.uniform(-4, 20, 2)
    points = centre + 11 * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    fine = 32
    # polygon2mask samples at whole (row, column) positions
    sampled = polygon2mask((16 * fine, 16 * fine), (points * fine - 0.5)[:, ::-1])
    expected = sampled.reshape(16, fine, 16, fine).mean(axis=(1, 3))
    got = mask(shape("polygon", points), 16, 16)
    # a sample's row or column along an edge is the most the grid can be wrong by
    assert np.abs(got - expected).max() <= 3 / fine
    assert np.abs(got - expected).mean() <= 0.004


def test_a_figure_of_eight_has_two_lobes() -> None:
    """Both lobes are covered although one turns the other way; an overlap counts once.

    Source: Pillow's polygon on 16 x 16 samples a pixel for the first; by hand for the second.
    """
    points = [(5, 5), (35, 25), (35, 5), (5, 25)]
    fine = Image.new("1", (40 * 16, 30 * 16))
    ImageDraw.Draw(fine).polygon([(x * 16, y * 16) for x, y in points], fill=1)
    expected = np.asarray(fine, float).reshape(30, 16, 40, 16).mean(axis=(1, 3))
    got = mask(shape("polygon", points))
    beside = np.ones((30, 40), bool)
    beside[13:17, 17:23] = False  # the crossing
    assert np.abs(got - expected)[beside].max() < 0.15
    square = [(2, 2), (8, 2), (8, 8), (2, 8)]
    for feather in (0.0, 3.0):
        once, twice = (
            mask(shape("polygon", square * turns, feather_px=feather)) for turns in (1, 2)
        )
        assert np.array_equal(once, twice)


@pytest.mark.parametrize(("rx", "ry"), [(3.3, 9.1), (12.0, 12.0), (14.2, 1.5)])
def test_an_ellipse_covers_its_area(rx: float, ry: float) -> None:
    """Source: area pi a b; a pixel is full or empty where the ellipse's inequality says so."""
    got = mask(shape("ellipse", [(20.3 - rx, 14.9 - ry), (20.3 + rx, 14.9 + ry)]))
    assert got.sum() == pytest.approx(math.pi * rx * ry, rel=2e-3)
    y, x = np.mgrid[:30, :40]
    corners = [
        ((x + dx - 20.3) / rx) ** 2 + ((y + dy - 14.9) / ry) ** 2 for dx in (0, 1) for dy in (0, 1)
    ]
    inside = np.max(corners, axis=0) < 0.98
    assert np.all(got[inside] == pytest.approx(1))
    assert inside.any() or ry < 2


def test_a_curve_goes_through_its_points_and_is_smooth() -> None:
    """Eight points of a circle: the curve stays within 1 % of it; the points lie on the outline.

    Source: Catmull & Rom 1974: an interpolating spline; a circle by hand.
    """
    angle = np.arange(8) * np.pi / 4
    points = 15 + 10 * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    one = shape("curve", points)
    line = s.outline(one, 1)
    for point in points:
        assert np.abs(line - point).sum(axis=1).min() < 1e-9
    assert np.abs(np.linalg.norm(line - 15, axis=1) - 10).max() < 0.1
    assert mask(one, 30, 30).sum() == pytest.approx(math.pi * 100, rel=0.02)


@SETTINGS
@given(seeds, st.sampled_from(["polygon", "curve", "rectangle", "ellipse"]), st.floats(0, 9))
def test_a_frame_is_a_part_of_a_larger_one(seed: int, kind: Any, feather: float) -> None:
    """What lies outside the frame counts for border and feather. Common practice, no source."""
    points = np.random.default_rng(seed).uniform(-15, 45, (5, 2))
    small = mask(shape(kind, points, feather_px=feather), 24, 18)
    large = mask(shape(kind, points + np.array([30, 20]), feather_px=feather), 90, 70)
    assert np.allclose(small, large[20:38, 30:54], atol=1e-6)


def test_far_thin_and_tiny_shapes() -> None:
    """No area gives 0, everything gives 1, absurd coordinates neither hang nor fail.

    Common practice, no source.
    """
    assert mask(shape("polygon", [(3, 3), (20, 20)])).max() == 0
    assert mask(shape("rectangle", [(5, 5), (5, 25)])).max() == 0
    assert mask(shape("polygon", [(500, 500), (600, 500), (550, 900)])).max() == 0
    assert mask(shape("rectangle", [(-1e300, -1e9), (1e12, 1e9)])).min() == 1
    spikes = [(x, 1e9 * (-1) ** x) for x in range(40)]
    assert np.isfinite(mask(shape("polygon", spikes))).all()
    assert mask(shape("ellipse", [(0.25, 0.25), (0.75, 0.75)]), 1, 1).item() == pytest.approx(
        math.pi / 16, rel=0.01
    )
    assert s.rasterise([], 1, 3, 2).tolist() == [[0, 0, 0], [0, 0, 0]]


# ---------------------------------------------------------------- feather


@pytest.mark.parametrize("feather", [0.5, 3.0, 10.0, 12.7])
@pytest.mark.parametrize("angle", [0, 30, 45, 90])
def test_the_soft_border_has_its_width(feather: float, angle: float) -> None:
    """Half on the outline; nearly the integral of a Gaussian of a sixth of the feather's width.

    0 and 1 beyond half the feather along an axis, nearly so across a slant.
    Source: the central limit theorem (three boxes of width w have variance w^2/4); SciPy's erf.
    """
    turn = math.radians(angle)
    normal, along = (
        np.array([math.cos(turn), math.sin(turn)]),
        np.array([-math.sin(turn), math.cos(turn)]),
    )
    start = np.array([30.0, 30.0])
    corners = [
        start + 500 * along,
        start - 500 * along,
        start - 500 * along - 900 * normal,
        start + 500 * along - 900 * normal,
    ]
    got = mask(shape("polygon", corners, feather_px=feather), 60, 60)
    y, x = np.mgrid[:60, :60] + 0.5
    outside = (x - 30) * normal[0] + (y - 30) * normal[1]
    sigma = math.hypot(feather / 6, math.sqrt(1 / 12))  # a pixel's own area blurs too
    expected = 0.5 * (1 - special.erf(outside / (sigma * math.sqrt(2))))
    # a border of few pixels is made of few taps; its variance is right, its form is not quite
    assert np.abs(got - expected).max() < (0.09 if feather < 8 else 0.02)
    reach = (feather / 2 + 0.5) * abs(normal).sum() + 1e-6
    assert got[outside > reach].max() <= 0.005
    assert got[outside < -reach].min() >= 0.995


def test_feather_never_changes_the_area_inside_the_frame() -> None:
    """A blur moves coverage, it makes none. Source: a normalised kernel."""
    points = [(15, 10), (27, 12), (20, 21)]
    hard = mask(shape("polygon", points)).sum()
    assert mask(shape("polygon", points, feather_px=9.0)).sum() == pytest.approx(hard, rel=1e-5)


def test_wide_pixels_get_a_narrower_border() -> None:
    """With pixels twice as wide as high, the border is half as many pixels wide across.

    Common practice, no source.
    """
    one = shape("rectangle", [(12, 9), (28, 21)], feather_px=8.0)
    got = mask(one, pixel_aspect=2.0).astype(float)

    def variance(rise: Any) -> float:
        at = np.arange(rise.size)
        return float((rise * at**2).sum() - (rise * at).sum() ** 2)

    # three boxes of a third of the width: (width / 6) squared, here of 4 and of 8 pixels
    assert variance(np.diff(got[15, :20])) == pytest.approx((4 / 6) ** 2, rel=1e-4)
    assert variance(np.diff(got[:15, 20])) == pytest.approx((8 / 6) ** 2, rel=1e-4)


# ---------------------------------------------------------------- lists, poses, scale


def test_union_inverted_and_switched_off() -> None:
    """Maximum of the shapes; an inverted one is 1 minus itself. Common practice, no source."""
    left, right = shape("rectangle", [(2, 2), (12.5, 20)]), shape("ellipse", [(8, 5), (30, 25)])
    both = s.rasterise([left, right], 1, 40, 30)
    assert np.array_equal(both, np.maximum(mask(left), mask(right)))
    outside = left.model_copy(update={"inverted": True})
    assert np.allclose(mask(outside), 1 - mask(left), atol=1e-7)
    off = right.model_copy(update={"on": False})
    assert np.array_equal(s.rasterise([left, off], 1, 40, 30), mask(left))


def test_poses_move_the_shape() -> None:
    """Straight between two poses, held outside, in any order of poses. Worked by hand.

    Common practice, no source.
    """

    def pose(frame: int, x: float) -> rc.ShapePose:
        return rc.ShapePose(frame=frame, points=[(x, 2.0), (x + 4, 8.0)])

    one = rc.Shape(kind="rectangle", poses=[pose(1011, 20.0), pose(1001, 0.0), pose(1031, 20.0)])
    at = {900: 0, 1001: 0, 1004: 6, 1006: 10, 1011: 20, 1020: 20, 2000: 20}
    for frame, x in at.items():
        got = s.rasterise([one], frame, 40, 10)
        assert np.array_equal(got, mask(shape("rectangle", [(x, 2), (x + 4, 8)]), 40, 10)), frame
    other = rc.ShapePose(frame=5, points=[(0.0, 0.0), (9.0, 0.0), (9.0, 9.0)])
    poses = [rc.ShapePose(frame=1, points=[(0.0, 0.0), (4.0, 0.0)]), other]
    assert s.points_at(poses, 4).tolist() == [[0, 0], [4, 0]]
    assert s.points_at(poses, 5).tolist() == [list(p) for p in other.points]


@pytest.mark.parametrize("kind", ["polygon", "curve", "ellipse"])
def test_half_scale_is_the_block_mean(kind: Any) -> None:
    """Keying at half size: each pixel's coverage is the mean of its four. Source: areas add up."""
    points = [(3, 4), (33, 9), (25, 27), (7, 22)]
    for feather, within in ((0.0, 2e-3), (16.0, 2e-2)):
        one = shape(kind, points, feather_px=feather)
        full = mask(one, 40, 30).reshape(15, 2, 20, 2).mean(axis=(1, 3))
        assert np.allclose(mask(one, 20, 15, scale=0.5), full, atol=within)

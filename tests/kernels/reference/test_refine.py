"""Refinements against SciPy, scikit-image, OpenCV and definitions written out the slow way."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage
from skimage import filters, measure

from kernels import recipe as rc
from kernels.plan import gauss_radius, refine_halo
from kernels.reference import refine as r

SETTINGS = settings(max_examples=25, deadline=None)
SIZES = [(1, 1), (1, 9), (7, 1), (2, 2), (13, 17), (31, 23)]
sizes = st.sampled_from(SIZES)
seeds = st.integers(0, 2**31 - 1)


def matte(seed: int, size: tuple[int, int] = (31, 23), dtype: Any = np.float32) -> Any:
    """A soft blob with hard flat parts, specks and holes."""
    rng = np.random.default_rng(seed)
    rough = ndimage.gaussian_filter(rng.normal(size=size), 3, mode="nearest")
    m = np.clip(0.5 + 12 * rough, 0, 1)
    specks = rng.random(size) < 0.03
    return np.where(specks, rng.random(size), m).astype(dtype)


def luma(seed: int, size: tuple[int, int] = (31, 23)) -> Any:
    return matte(seed + 7, size) * np.float32(0.5) + np.float32(0.1)


def octagon(radius: int) -> Any:
    """|dx| <= r, |dy| <= r, |dx| + |dy| <= r + floor(r/2)."""
    y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1]
    return np.abs(x) + np.abs(y) <= radius + radius // 2


# ---------------------------------------------------------------- erode, dilate, choke


@pytest.mark.parametrize("radius", [0, 1, 2, 3, 4, 7])
@pytest.mark.parametrize("size", SIZES)
def test_erode_and_dilate_are_exact(radius: int, size: tuple[int, int]) -> None:
    """Source: scipy.ndimage minimum_filter and maximum_filter with the octagon written out."""
    m = matte(radius, size)
    footprint = octagon(radius)
    assert np.array_equal(
        r.erode(m, radius), ndimage.minimum_filter(m, footprint=footprint, mode="nearest")
    )
    assert np.array_equal(
        r.dilate(m, radius), ndimage.maximum_filter(m, footprint=footprint, mode="nearest")
    )


@pytest.mark.parametrize("px", [0.25, 1.5, 2.5, 3.75])
def test_between_whole_radii_two_results_are_mixed(px: float) -> None:
    """Source: scipy.ndimage minimum_filter at the radii beside it, mixed by hand."""
    m, whole = matte(2), int(px)
    low, high = (
        ndimage.minimum_filter(m, footprint=octagon(n), mode="nearest") for n in (whole, whole + 1)
    )
    assert np.allclose(r.erode(m, px), low + (px - whole) * (high - low), atol=1e-6)


def test_the_octagon_is_nearly_round() -> None:
    """Its reach stays within 12 % + 1 px of a circle's at every whole radius up to 32.

    Common practice, no source.
    """
    for radius in range(2, 33):
        y, x = np.nonzero(octagon(radius)) - np.int64(radius)
        assert np.hypot(x, y).max() <= 1.12 * radius + 1
        out = ~octagon(radius)
        if out.any():
            y, x = np.nonzero(out) - np.int64(radius)
            assert np.hypot(x, y).min() >= radius


@pytest.mark.parametrize("px", [0.25, 0.5, 1, 1.75, 3, 4.5, -0.5, -2.25])
def test_choke_moves_a_ramp_by_its_pixels(px: float) -> None:
    """A straight ramp of 0.02 a pixel shifts by px: its value changes by 0.02 px exactly.

    Source: erosion of a straight slope, worked by hand.
    """
    m = np.broadcast_to(np.linspace(0, 1, 51), (9, 51)).copy()
    for plane in (m, m.T):
        got = r.choke(plane, px)
        inner = got[10:-10, :] if plane is not m else got[:, 10:-10]
        was = plane[10:-10, :] if plane is not m else plane[:, 10:-10]
        assert np.allclose(inner, was - 0.02 * px, atol=1e-12)


@SETTINGS
@given(seeds, st.floats(-6, 6), st.floats(0, 2), sizes)
def test_choke_never_rises_with_px_and_never_jumps(
    seed: int, px: float, more: float, size: tuple[int, int]
) -> None:
    """Common practice, no source."""
    m = matte(seed, size)
    assert np.array_equal(r.choke(m, 0.0), m)
    assert np.all(r.choke(m, px + more) <= r.choke(m, px) + 1e-6)
    assert np.allclose(r.choke(m, px + 1e-5), r.choke(m, px), atol=2.1e-5)


# ---------------------------------------------------------------- despeckle


def despeckled_slowly(m: Any, size: int) -> Any:
    """The definition pixel by pixel, box by box."""
    h, w = m.shape
    out = m.copy()
    for y, x in np.ndindex(h, w):
        for n in range(1, size + 1):
            for top in range(y - n, y):  # rows top and top + n + 1 are the ring's
                for left in range(x - n, x):
                    ring = [
                        m[i, j]
                        for i in range(top, top + n + 2)
                        for j in range(left, left + n + 2)
                        if (i in (top, top + n + 1) or j in (left, left + n + 1))
                        and 0 <= i < h
                        and 0 <= j < w
                    ]
                    if ring:
                        out[y, x] = min(out[y, x], max(ring))
    return out


@pytest.mark.parametrize("size", [(1, 1), (1, 9), (3, 3), (9, 11)])
@pytest.mark.parametrize("specks", [1, 2, 3])
def test_despeckle_is_its_definition(size: tuple[int, int], specks: int) -> None:
    """Source: the definition in the docstring, written out with plain loops."""
    m = matte(specks, size)
    expected = despeckled_slowly(m, specks)
    assert np.array_equal(r.despeckle(m, 0, specks), expected)
    assert np.array_equal(r.despeckle(1 - m, specks, 0), -despeckled_slowly(-(1 - m), specks))
    if size == (9, 11):
        assert not np.array_equal(expected, m)


@SETTINGS
@given(seeds, st.integers(1, 6), st.floats(0.02, 0.2))
def test_specks_go_by_size_and_the_rest_keeps_its_bits(
    seed: int, size: int, density: float
) -> None:
    """Binary pictures: areas whose bounding box is larger stay whole, lone smaller ones go.

    Source: scikit-image's connected components (8 neighbours) and their bounding boxes.
    """
    rng = np.random.default_rng(seed)
    m = (ndimage.gaussian_filter(rng.random((40, 47)), 0.6) > 1 - density - 0.35).astype(np.float32)
    got = r.despeckle(m, 0, size)
    assert np.all(got <= m)
    labels = measure.label(m > 0, connectivity=2)
    for region in measure.regionprops(labels):
        y0, x0, y1, x1 = region.bbox
        here = labels == region.label
        if max(y1 - y0, x1 - x0) > size:
            assert np.all(got[here] == 1)
        else:
            side = max(y1 - y0, x1 - x0)  # the ring of a square box around it
            around = labels[max(y0 - 1, 0) : y0 + side + 1, max(x0 - 1, 0) : x0 + side + 1]
            if set(np.unique(around)) <= {0, region.label}:
                assert np.all(got[here] == 0)


def test_hair_and_its_gaps_survive_despeckle() -> None:
    """Strands and gaps of one pixel across a large despeckle keep their bits; specks do not.

    Common practice, no source.
    """
    m = np.zeros((60, 60), np.float32)
    m[30:] = 1
    for x in range(4, 56, 6):
        m[8:30, x] = 0.6  # strand, one pixel wide, standing on the core
    for x in range(7, 56, 6):
        m[30:50, x] = 0.3  # gap, one pixel wide, open to the clear area
    drawn = m.copy()
    m[3, 20] = m[2, 41] = m[5, 30] = 0.8
    m[54:57, 12:14] = 0.4
    assert np.array_equal(r.despeckle(m, 6, 6), drawn)


@SETTINGS
@given(seeds, st.floats(0, 5), st.floats(0, 2), sizes)
def test_despeckle_never_rises_with_specks_or_falls_with_holes(
    seed: int, px: float, more: float, size: tuple[int, int]
) -> None:
    """Common practice, no source."""
    m = matte(seed, size)
    assert np.array_equal(r.despeckle(m, 0, 0), m)
    assert np.all(r.despeckle(m, 0, px + more) <= r.despeckle(m, 0, px) + 1e-6)
    assert np.all(r.despeckle(m, px + more, 0) >= r.despeckle(m, px, 0) - 1e-6)


# ---------------------------------------------------------------- guided filter


def window(at: int, radius: int, size: int) -> slice:
    return slice(max(0, at - radius), min(size, at + radius + 1))


@pytest.mark.parametrize(("radius", "smoothness"), [(1, 1e-4), (2, 1e-2), (4, 1e-7)])
@pytest.mark.parametrize("size", [(1, 1), (1, 7), (11, 9)])
def test_guide_is_least_squares_in_every_window(
    radius: int, smoothness: float, size: tuple[int, int]
) -> None:
    """min sum (a I + b - m)^2 + smoothness a^2, solved by numpy.linalg.lstsq, lines then averaged.

    Source: He, Sun & Tang 2013, eq. 3 (the cost) and eq. 8 (the mean of the windows' lines).
    """
    m, i = matte(3, size, np.float64), luma(3, size).astype(np.float64)
    h, w = size
    a, b = np.zeros(size), np.zeros(size)
    for y, x in np.ndindex(h, w):
        here = window(y, radius, h), window(x, radius, w)
        p, g = m[here].ravel(), i[here].ravel()
        rows = np.stack([g, np.ones_like(g)], axis=1)
        rows = np.vstack([rows, [np.sqrt(g.size * smoothness), 0]])
        a[y, x], b[y, x] = np.linalg.lstsq(rows, np.append(p, 0), rcond=None)[0]
    expected = np.zeros(size)
    for y, x in np.ndindex(h, w):
        here = window(y, radius, h), window(x, radius, w)
        expected[y, x] = a[here].mean() * i[y, x] + b[here].mean()
    got = r.guide(m, i, radius, smoothness)
    assert np.allclose(got, np.clip(expected, 0, 1), atol=1e-8)


def test_guide_radius_rounds_and_never_vanishes() -> None:
    """0 leaves the matte alone, 0.3 counts as 1, 2.5 as 3. Common practice, no source."""
    assert [r.guide_radius(v) for v in (0, 0.3, 1.4, 1.5, 2.5)] == [0, 1, 1, 2, 3]
    m = matte(0)
    assert r.guide(m, np.zeros_like(m), 0, 0.1) is m


@pytest.mark.parametrize("radius", [0, 0.5, 1, 2.25, 40])
@pytest.mark.parametrize("size", SIZES)
def test_box_mean(radius: float, size: tuple[int, int]) -> None:
    """Source: the weighted mean with weights 1 and, at the rim, the fraction; by np.convolve."""
    plane = np.random.default_rng(1).normal(size=size)
    whole = int(radius)
    w = np.ones(2 * whole + 3)
    w[[0, -1]] = radius - whole

    def along(v: Any) -> Any:
        inside = slice(whole + 1, whole + 1 + v.size)
        return np.convolve(v, w)[inside] / np.convolve(np.ones_like(v), w)[inside]

    expected = np.apply_along_axis(along, 0, np.apply_along_axis(along, 1, plane))
    assert np.allclose(r.box_mean(plane, radius), expected, atol=1e-12)


# ---------------------------------------------------------------- levels and protect_edges


def test_levels_by_hand() -> None:
    """Source: (m - black)/(white - black) clamped, worked by hand."""
    m = np.array([[0, 0.2, 0.4, 0.6, 0.8, 1]])
    assert r.levels(m, 0.2, 0.6) == pytest.approx(np.array([[0, 0, 0.5, 1, 1, 1]]))
    assert np.array_equal(r.levels(m, 0, 1), m)
    assert r.levels(m, 0.5, 0.5).tolist() == [[0, 0, 0, 1, 1, 1]]


@SETTINGS
@given(seeds, st.floats(-0.5, 1), st.floats(0, 1.5), st.floats(0, 0.5))
def test_levels_labels_mean_what_they_say(
    seed: int, black: float, white: float, more: float
) -> None:
    """Raising black or white removes matte; order of values is kept. Common practice, no source."""
    m = np.sort(matte(seed).ravel())[None]
    got = r.levels(m, black, white)
    assert np.all(np.diff(got) >= 0)
    assert np.all(r.levels(m, black + more, white) <= got + 1e-6)
    assert np.all(r.levels(m, black, white + more) <= got + 1e-6)


def test_protect_edges_acts_near_soft_edges_only() -> None:
    """Clean core and clean screen beyond the distance stay as levelled, to the bit.

    On the soft boundary's middle the matte before levels is back in full. By hand: 4 L (1 - L) is
    1 at L = 0.5, and a stretch of such pixels wider than the box leaves the mean at 1.
    """
    before = np.full((21, 60), 0.04, np.float32)  # noise that levels clear
    before[:, 24:36] = 0.5
    before[:, 36:] = 0.97
    levelled = r.levels(before, 0.1, 0.9)
    got = r.protect_edges(before, levelled, 6)
    assert np.array_equal(got[:, :17], levelled[:, :17])
    assert np.array_equal(got[:, 43:], levelled[:, 43:])
    assert np.allclose(got[:, 28:32], before[:, 28:32], atol=1e-6)
    assert np.all(got[:, 22] > 0.02), "the wisp beside the edge is back"
    assert np.array_equal(r.protect_edges(before, levelled, 0), levelled)


@SETTINGS
@given(seeds, st.floats(0.1, 12), st.floats(0, 1))
def test_the_amount_blends_from_the_levelled_matte_to_the_protected_one(
    seed: int, px: float, amount: float
) -> None:
    """mix(levelled, protected, amount) by hand; 0 is the levelled matte to the bit.

    Our own rule, no outside source.
    """
    before = matte(seed).astype(np.float64)
    levelled = r.levels(before, 0.2, 0.7)
    protected = r.protect_edges(before, levelled, px)
    got = r.protect_edges(before, levelled, px, amount)
    assert np.allclose(got, (1 - amount) * levelled + amount * protected, atol=1e-12)
    assert np.array_equal(r.protect_edges(before, levelled, px, 0), levelled)


@SETTINGS
@given(seeds, st.floats(0, 12), sizes)
def test_protect_edges_lies_between_and_is_continuous(
    seed: int, px: float, size: tuple[int, int]
) -> None:
    """Common practice, no source."""
    before = matte(seed, size)
    levelled = r.levels(before, 0.2, 0.7)
    got = r.protect_edges(before, levelled, px)
    assert np.all(got >= np.minimum(before, levelled) - 1e-6)
    assert np.all(got <= np.maximum(before, levelled) + 1e-6)
    assert np.allclose(r.protect_edges(before, levelled, px + 1e-5), got, atol=1e-4)


# ---------------------------------------------------------------- blur


@pytest.mark.parametrize("sigma", [0.1, 0.3, 1, 2.5, 7])
@pytest.mark.parametrize("size", SIZES)
def test_blur_against_three_libraries(sigma: float, size: tuple[int, int]) -> None:
    """Source: scipy gaussian_filter, scikit-image gaussian, OpenCV GaussianBlur, same reach."""
    plane = np.random.default_rng(5).normal(size=size).astype(np.float32) * 3
    got = r.blur(plane, sigma)
    assert got.dtype == np.float32
    reach = gauss_radius(sigma)
    kept = ndimage.gaussian_filter(plane.astype(np.float64), sigma, radius=reach, mode="nearest")
    assert np.allclose(got, kept, atol=2e-6)
    image = filters.gaussian(
        plane.astype(np.float64), sigma, mode="nearest", truncate=(reach + 1e-9) / sigma
    )
    assert np.allclose(got, image, atol=2e-6)
    if reach:
        taps = (2 * reach + 1, 2 * reach + 1)
        other = cv2.GaussianBlur(plane, taps, sigma, borderType=cv2.BORDER_REPLICATE)
        assert np.allclose(got, other, atol=1e-5)
    assert r.blur(plane, 0) is plane


def test_blur_keeps_planes_apart() -> None:
    """Three channels are three planes. Common practice, no source."""
    image = np.random.default_rng(5).normal(size=(3, 9, 8))
    assert np.array_equal(r.blur(image, 1.3), np.stack([r.blur(p, 1.3) for p in image]))


# ---------------------------------------------------------------- the chain


@st.composite
def refinements(draw: Callable[..., Any]) -> rc.Refine:
    def maybe(high: float, low: float = 0.0) -> float:
        return draw(st.one_of(st.just(0.0), st.floats(low, high)))

    black = draw(st.floats(-0.1, 0.4))
    return rc.Refine(
        despeckle=rc.Despeckle(holes_px=maybe(4), specks_px=maybe(4)),
        guide=rc.Guide(radius_px=maybe(5), smoothness=draw(st.sampled_from([1e-4, 1e-2]))),
        levels=rc.Levels(clear_below=black, solid_above=draw(st.floats(0.5, 1.1))),
        protect_edges=rc.ProtectEdges(distance_px=maybe(7), amount=draw(st.floats(0, 1))),
        choke_px=maybe(4, -4.0),
        soften_px=maybe(2),
    )


@SETTINGS
@given(refinements(), seeds, st.data())
def test_a_tile_with_its_halo_gives_the_frame(
    chain: rc.Refine, seed: int, data: st.DataObject
) -> None:
    """To 1e-5, with the halo that the plan declares. Common practice, no source."""
    size = (67, 61)
    m, i = matte(seed, size), luma(seed, size)
    whole = r.refine(m, chain, i)
    y0, x0 = data.draw(st.integers(0, 60)), data.draw(st.integers(0, 54))
    y1, x1 = y0 + data.draw(st.integers(1, 7)), x0 + data.draw(st.integers(1, 7))
    halo = refine_halo(chain)
    top, left = max(0, y0 - halo), max(0, x0 - halo)
    rows, columns = slice(top, y1 + halo), slice(left, x1 + halo)
    tile = r.refine(m[rows, columns], chain, i[rows, columns])
    assert np.allclose(
        tile[y0 - top : y1 - top, x0 - left : x1 - left], whole[y0:y1, x0:x1], atol=1e-5
    )


@pytest.mark.parametrize(
    "part", ["holes", "specks", "guide", "protect", "choke", "spread", "soften"]
)
@pytest.mark.parametrize("px", [0.5, 1, 2, 2.5, 3])
def test_no_operation_looks_past_its_halo(part: str, px: float) -> None:
    """Changing every pixel farther than the halo from the middle changes nothing there.

    Common practice, no source.
    """
    chain = {
        "holes": rc.Refine(despeckle=rc.Despeckle(holes_px=px)),
        "specks": rc.Refine(despeckle=rc.Despeckle(specks_px=px)),
        "guide": rc.Refine(guide=rc.Guide(radius_px=px)),
        "protect": rc.Refine(
            levels=rc.Levels(clear_below=0.3, solid_above=0.6),
            protect_edges=rc.ProtectEdges(distance_px=px),
        ),
        "choke": rc.Refine(choke_px=px),
        "spread": rc.Refine(choke_px=-px),
        "soften": rc.Refine(soften_px=px),
    }[part]
    halo = refine_halo(chain)
    n = 2 * halo + 15
    y, x = np.mgrid[:n, :n] - n // 2
    far = np.maximum(np.abs(x), np.abs(y)) > halo
    for seed in range(4):
        m, i = matte(seed, (n, n), np.float64), luma(seed, (n, n)).astype(np.float64)
        other = np.where(far, 1 - m, m), np.where(far, 1 - i, i)
        middle = n // 2, n // 2
        assert abs(r.refine(m, chain, i)[middle] - r.refine(*_args(other, chain))[middle]) < 1e-12


def _args(pair: tuple[Any, Any], chain: rc.Refine) -> tuple[Any, rc.Refine, Any]:
    return pair[0], chain, pair[1]


@SETTINGS
@given(refinements(), seeds, sizes)
def test_the_chain_stays_a_matte(chain: rc.Refine, seed: int, size: tuple[int, int]) -> None:
    """Any size: finite, in 0..1, same type, the steps in order. Common practice, no source."""
    m, i = matte(seed, size), luma(seed, size)
    got = r.refine(m, chain, i)
    assert got.shape == size
    assert got.dtype == np.float32
    assert np.isfinite(got).all()
    assert got.min() >= 0
    assert got.max() <= 1 + 1e-6
    assert r.refine(m.astype(np.float64), chain, i).dtype == np.float64
    step = r.despeckle(m, chain.despeckle.holes_px, chain.despeckle.specks_px)
    step = r.guide(step, i, chain.guide.radius_px, chain.guide.smoothness)
    levelled = r.levels(step, chain.levels.clear_below, chain.levels.solid_above)
    protect = chain.protect_edges
    step = r.protect_edges(step, levelled, protect.distance_px, protect.amount)
    assert np.array_equal(r.soften(r.choke(step, chain.choke_px), chain.soften_px), got)


def test_settings_of_zero_change_nothing() -> None:
    """To the bit. Common practice, no source."""
    m = matte(9)
    assert np.array_equal(r.refine(m, rc.Refine()), m)
    with pytest.raises(ValueError, match="guide needs"):
        r.refine(m, rc.Refine(guide=rc.Guide(radius_px=2)))

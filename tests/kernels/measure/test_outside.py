"""What lies outside the screen's cloth, and shadows on it: drawn by hand and found again."""

from __future__ import annotations

import numpy as np

from kernels.measure import outside as o

H, W = 180, 320
GREEN = np.reshape([0.12, 0.42, 0.1], (3, 1, 1)).astype(np.float32)
STILL = np.zeros((H, W), bool)


def stage() -> np.ndarray:
    """A cloth from column 40 to 290, a figure before it that stands on the lower edge."""
    seen = np.zeros((H, W), bool)
    seen[:, 40:290] = True
    seen[60:, 120:200] = False
    return seen


def test_what_stands_beside_the_cloth_is_outside_and_the_figure_is_not() -> None:
    """Our own rule, no outside source: the two sides of the cloth, within 3 px of its edge."""
    seen = stage()
    found = o.outside_cloth([seen], STILL)
    wanted = np.zeros((H, W), bool)
    wanted[:, :40] = wanted[:, 290:] = True
    assert (found & wanted).sum() / (found | wanted).sum() > 0.9
    assert not found[60:, 120:200].any()


def test_an_arm_that_leaves_the_cloth_keeps_free_what_is_below_it() -> None:
    """Our own rule, no outside source."""
    seen = stage()
    seen[90:110, 200:] = False
    found = o.outside_cloth([seen], STILL)
    assert not found[90:, 290:].any()
    assert found[:70, 295:].mean() > 0.9


def test_a_screen_that_fills_the_frame_has_no_outside() -> None:
    """Our own rule, no outside source; nor has what lies below the cloth."""
    whole = np.ones((H, W), bool)
    whole[60:, 120:200] = False
    assert not o.outside_cloth([whole], STILL).any()
    whole[150:] = False
    assert not o.outside_cloth([whole], STILL).any()


def test_outlines_of_a_ring_leave_its_middle_free() -> None:
    """Our own rule, no outside source."""
    ring = np.ones((H, W), bool)
    ring[30:150, 40:280] = False
    polygons = o.outlines(ring, ~ring)
    assert len(polygons) >= 4
    assert all(len(p) <= 200 for p in polygons)
    xs = [x for p in polygons for x, _ in p]
    assert min(xs) < 0 < 1 < max(xs)


def test_a_shadow_is_found_where_light_falls_by_one_factor() -> None:
    """Source: a shadow multiplies the light. A grey thing of the same depth is none."""
    rng = np.random.default_rng(1)
    clean = np.broadcast_to(GREEN, (3, H, W)).copy()
    picture = clean.copy()
    seen = stage()
    seen[:, :40] = seen[:, 290:] = True
    picture[:, ~seen] = 0.2
    shade = np.zeros((H, W), bool)
    shade[100:140, 205:260] = True
    picture[:, shade] *= 0.6
    haze = np.zeros((H, W), bool)
    haze[20:55, 130:190] = True
    picture[:, haze] = 0.6 * picture[:, haze] + 0.08
    seen &= ~shade & ~haze
    picture += 0.004 * rng.standard_normal(picture.shape).astype(np.float32)
    found = o.shadows(picture, clean, seen, "green")
    assert (found & shade).sum() / (found | shade).sum() > 0.6
    assert not (found & haze).any()

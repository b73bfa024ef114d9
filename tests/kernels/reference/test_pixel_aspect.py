"""Radii follow the pixel aspect: what a recipe describes is round on the unsqueezed picture.

Source of the definition: ITU-T H.273, sample aspect ratio, the horizontal over the vertical spacing
of the samples. A shot of aspect 2 shows each of its pixels twice as wide as high.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy import ndimage

from kernels import recipe as rc
from kernels.inputs import mask_planes
from kernels.plan import build_plan, refine_halo
from kernels.reference import background, execute, octagon
from kernels.reference import refine as r

Made = Callable[[Any, Any, float], Any]
"""From a matte, a guide and the pixel aspect to the result."""


def squeezed(wide: Any) -> Any:
    """Return the picture with pixels twice as wide: means of two."""
    return (wide[..., ::2] + wide[..., 1::2]) / 2


def unsqueezed(narrow: Any) -> Any:
    """Return the picture with square pixels again, by cubic splines between pixel centres."""
    rows, columns = narrow.shape
    at = (np.arange(2 * columns) + 0.5) / 2 - 0.5
    y, x = np.meshgrid(np.arange(rows), at, indexing="ij")
    return ndimage.map_coordinates(narrow, [y, x], order=3, mode="nearest")


def disc(softness: float = 6.0, radius: float = 26.0, size: int = 96) -> Any:
    y, x = np.mgrid[:size, :size] + 0.5 - size / 2
    return np.clip((radius - np.hypot(x, y)) / softness + 0.5, 0, 1)


def through(**settings: Any) -> Made:
    """Return the whole refinement with one setting."""
    return lambda m, i, aspect: r.refine(m, rc.Refine(**settings), i, aspect)


def protected(m: Any, i: Any, aspect: float) -> Any:
    """Protect the edge of a matte that levels change on both sides of it."""
    return r.protect_edges(0.1 + 0.8 * m, m, 16.0, 1.0, aspect)


ISOTROPIC: dict[str, tuple[Made, float]] = {
    "blur": (lambda m, i, aspect: r.blur(m, 6.0, aspect), 0.01),
    "soften": (through(soften_px=5.0), 0.01),
    "choke": (through(choke_px=8.0), 0.06),
    "choke by a fraction": (through(choke_px=4.5), 0.06),
    "spread": (through(choke_px=-7.0), 0.08),
    "guide": (through(guide=rc.Guide(radius_px=8, smoothness=1e-2)), 0.02),
    "protect edges": (protected, 0.035),
}


@pytest.mark.parametrize("name", ISOTROPIC)
def test_a_squeezed_picture_gives_what_the_unsqueezed_one_gives(name: str) -> None:
    """Source: H.273; the tolerance is the resampling's. Without the aspect it is far exceeded."""
    made, tolerance = ISOTROPIC[name]
    m, i = disc(), 0.2 + 0.5 * disc(10.0, 20.0)
    expected = made(m, i, 1.0)
    got = unsqueezed(made(squeezed(m), squeezed(i), 2.0))
    assert np.abs(got - expected).max() < tolerance
    without = unsqueezed(made(squeezed(m), squeezed(i), 1.0))
    assert np.abs(without - expected).max() > 2 * tolerance


@pytest.mark.parametrize("specks", [True, False])
def test_specks_and_holes_are_measured_on_the_unsqueezed_picture(specks: bool) -> None:
    """Source: H.273; boxes lie on whole pixels of both pictures, so both give the same exactly."""
    wide = np.zeros((40, 80))
    for n, (width, height) in enumerate([(2, 2), (4, 4), (4, 2), (6, 4), (4, 6), (8, 2)]):
        wide[10 : 10 + height, 4 + 12 * n : 4 + 12 * n + width] = 1.0
    wide = wide if specks else 1 - wide
    sizes = (0.0, 4.0) if specks else (4.0, 0.0)
    expected = r.despeckle(wide, *sizes)
    assert np.array_equal(squeezed(expected), r.despeckle(squeezed(wide), *sizes, 2.0))
    assert not np.array_equal(squeezed(expected), r.despeckle(squeezed(wide), *sizes))
    assert 0 < np.abs(expected - wide).sum() == 2 * 2 + 4 * 4 + 4 * 2


def _footprint(across: int, down: int) -> Any:
    """What one pixel grows to, as a set of moves."""
    plane = np.zeros((2 * down + 3, 2 * across + 3))
    plane[down + 1, across + 1] = -1.0
    ys, xs = np.nonzero(octagon._oblong(plane, across, down))
    return set(zip((xs - across - 1).tolist(), (ys - down - 1).tolist(), strict=True))


def test_oblong_octagons_lie_in_one_another_and_square_ones_are_octagons() -> None:
    """So results never rise with the radius. Source: the set of moves, written out."""
    made = {(a, d): _footprint(a, d) for a in range(10) for d in range(10)}
    for (a, d), moves in made.items():
        assert max(x for x, _ in moves) == a
        assert max(y for _, y in moves) == d
        for bigger in ((a + 1, d), (a, d + 1)):
            assert moves <= made.get(bigger, moves)
    for n in range(10):
        area = [(x, y) for x in range(-n, n + 1) for y in range(-n, n + 1)]
        assert made[n, n] == {(x, y) for x, y in area if abs(x) + abs(y) <= n + n // 2}


def test_a_border_is_drawn_in_by_half_as_many_pixels_across() -> None:
    """Fractions included, continuously. Source: a straight ramp moved by hand."""
    ramp = np.clip(np.arange(40) / 40, 0, 1)
    across, down = np.tile(ramp, (40, 1)), np.tile(ramp, (40, 1)).T
    for px in (0.5, 1.0, 2.3, 5.0):
        inner = r.erode(across, px, 2.0)[20, 10:30]
        np.testing.assert_allclose(ramp[10:30] - inner, px / 2 / 40, atol=1e-12)
        inner = r.erode(down, px, 2.0)[10:30, 20]
        np.testing.assert_allclose(ramp[10:30] - inner, px / 40, atol=1e-12)


def test_square_pixels_change_no_bit() -> None:
    """An aspect of 1 is the call without one, which the other tests hold to SciPy and OpenCV."""
    rng = np.random.default_rng(4)
    m, i = rng.random((31, 23), np.float32), rng.random((31, 23), np.float32)
    chain = CHAIN.model_copy(deep=True)
    assert np.array_equal(r.refine(m, chain, i), r.refine(m, chain, i, 1.0))
    for a in (0.0, 1.0, 2.0, 2.25, 3.0, 3.7):
        assert np.array_equal(r.erode(m, a), octagon._erode_oblong(m, a, a))


CHAIN = rc.Refine(
    despeckle=rc.Despeckle(holes_px=2.5, specks_px=3),
    guide=rc.Guide(radius_px=3),
    levels=rc.Levels(clear_below=0.2, solid_above=0.8),
    protect_edges=rc.ProtectEdges(distance_px=3),
    choke_px=1.5,
    soften_px=1.4,
)


@pytest.mark.parametrize("aspect", [0.5, 0.9, 4 / 3, 2.0])
def test_nothing_looks_past_the_halo(aspect: float) -> None:
    """A tile with the halo of the larger radius gives the frame. Common practice, no source."""
    rng = np.random.default_rng(6)
    halo = refine_halo(CHAIN, aspect)
    n = 2 * halo + 21
    m, i = rng.random((n, n)), rng.random((n, n))
    whole = r.refine(m, CHAIN, i, aspect)
    part = slice(7, n - 3)
    tile = r.refine(m[part, part], CHAIN, i[part, part], aspect)
    inner = slice(7 + halo, n - 3 - halo)
    moved = slice(halo, n - 10 - halo)
    np.testing.assert_allclose(tile[moved, moved], whole[inner, inner], atol=1e-12)


def test_the_recipe_overrides_the_file() -> None:
    """Source: the recipe's help: empty means by metadata. Drafts scale both radii alike."""
    recipe = rc.Recipe(extractors=[rc.HueBand(id="a", refine=rc.Refine(soften_px=9))])
    assert build_plan(recipe, 1, ("plate",), pixel_aspect=2.0).pixel_aspect == 2.0
    recipe.source.pixel_aspect = 0.5
    plan = build_plan(recipe, 1, ("plate",), pixel_aspect=2.0)
    assert plan.pixel_aspect == 0.5
    assert plan.halo_px == 2 * 27
    draft = build_plan(plan.recipe, 1, ("plate",), scale=0.5, pixel_aspect=plan.pixel_aspect)
    assert (draft.pixel_aspect, draft.halo_px) == (0.5, 27)
    shape = rc.Shape(
        id="s",
        kind="rectangle",
        feather_px=8,
        poses=[rc.ShapePose(frame=1, points=[(20, 20), (40, 40)])],
    )
    recipe.garbage = [shape]
    by_file = mask_planes(rc.Recipe(garbage=[shape]), 1, 60, 60, pixel_aspect=0.5)
    overridden = mask_planes(recipe, 1, 60, 60, pixel_aspect=2.0)
    assert np.array_equal(by_file["mask:garbage"], overridden["mask:garbage"])


def test_defocus_is_round_on_the_unsqueezed_picture() -> None:
    """Source: H.273."""
    p = rc.Background(kind="picture", defocus_px=5.0)
    wide = np.stack([disc()] * 3)
    expected = background.place(wide, p, 96, 96)[0]
    narrow = background.place(squeezed(wide), p, 48, 96, pixel_aspect=2.0)[0]
    assert np.abs(unsqueezed(narrow) - expected).max() < 0.01


@pytest.mark.parametrize("kind", ["light wrap", "screen light", "fill", "local foreground"])
def test_blurs_of_the_chain_are_round_on_the_unsqueezed_picture(kind: str) -> None:
    """Source: H.273; the composite of a squeezed plate against the unsqueezed one's."""
    recipe = rc.Recipe(extractors=[rc.ColourDifference(id="a")], despill=[rc.DespillPass(id="n")])
    match kind:
        case "light wrap":
            recipe.assemble.light_wrap = rc.LightWrap(amount=1.0, reach_px=8)
        case "screen light":
            recipe.assemble.screen_light = rc.ScreenLight(shadows=1.0, blur_px=8)
        case "fill":
            recipe.despill[0] = rc.DespillPass(id="n", fill="background", fill_blur_px=8)
        case "local foreground":
            recipe.assemble.edge_colour = rc.EdgeColour(method="unmix", reach_px=8)
    alpha, dot = disc(12.0), disc(8.0, 14.0)
    screen = np.array([0.05, 0.4, 0.07])[:, None, None] * (1 - 0.5 * dot)
    wide = {
        "plate": alpha * np.array([0.5, 0.3, 0.25])[:, None, None] + (1 - alpha) * screen,
        "background": np.array([0.6, 0.2, 0.9])[:, None, None] * (1 - dot),
    }
    if kind == "screen light":
        wide["mask:screen_light"] = np.ones_like(alpha)
    narrow = {name: squeezed(plane) for name, plane in wide.items()}

    def made(planes: dict[str, Any], aspect: float) -> Any:
        plan = build_plan(recipe, 1, planes, pixel_aspect=aspect)
        assert len(plan.stages) == 1
        tile = execute.cut(planes, (0, 0, planes["plate"].shape[-1], 96))
        tile = execute.run_stages(plan, tile, plan.stages, execute.ReferenceNeighbourhood())
        return tile[plan.stages[0].out].reshape(-1, 96, planes["plate"].shape[-1])

    expected = made(wide, 1.0)
    scale = np.abs(expected).max()
    got = np.stack([unsqueezed(plane) for plane in made(narrow, 2.0)])
    without = np.stack([unsqueezed(plane) for plane in made(narrow, 1.0)])
    assert np.abs(got - expected).max() < 0.02 * scale
    assert np.abs(without - expected).max() > 0.04 * scale

"""Plans: the stages a recipe needs, their order and halos, and only those a view needs."""

from __future__ import annotations

from typing import get_args

import pytest

from kernels.cuda.sources import constants
from kernels.plan import MAX_HALO_PX, VIEWS, build_plan, refine_halo, sigma_alpha
from kernels.recipe import (
    ColourDifference,
    Despeckle,
    DespillPass,
    EdgeColour,
    Guide,
    HueBand,
    Levels,
    LightWrap,
    Noise,
    ProtectEdges,
    Recipe,
    Refine,
    Screen,
    starting_recipe,
)
from kernels.views import VIEW_TABLE, ViewName

PLANES = ("plate", "background")


def test_a_plain_key_needs_no_stage() -> None:
    """Pointwise work is one launch. Our own rule, no outside source."""
    recipe = starting_recipe()
    recipe.refine.levels = Levels(clear_below=0.1, solid_above=0.9)
    plan = build_plan(recipe, 1, PLANES)
    assert plan.stages == ()
    assert plan.halo_px == 0


def test_stages_stand_in_the_order_of_their_needs() -> None:
    """An earlier stage never needs a later one. Our own rule, no outside source."""
    recipe = Recipe(
        extractors=[
            ColourDifference(id="a", refine=Refine(choke_px=1.5)),
            HueBand(id="b", refine=Refine(soften_px=2)),
        ],
        refine=Refine(despeckle=Despeckle(holes_px=2)),
        despill=[DespillPass(id="n", fill="background")],
    )
    recipe.assemble.light_wrap = LightWrap(amount=0.5)
    recipe.assemble.edge_colour = EdgeColour(method="unmix")
    plan = build_plan(recipe, 1, PLANES)
    made: set[str] = set()
    for stage in plan.stages:
        assert set(stage.needs) <= made
        made.add(stage.out)
    assert made == {"matte:a", "matte:b", "cumulative", "fill:n", "local_foreground", "wrap"}
    assert plan.halo_px >= max(stage.halo_px for stage in plan.stages)


def test_a_view_makes_only_what_it_shows() -> None:
    """Looking at the plate makes no matte. Our own rule, no outside source."""
    recipe = Recipe(
        extractors=[
            ColourDifference(id="a", refine=Refine(choke_px=1)),
            HueBand(id="b", refine=Refine(choke_px=1)),
        ],
    )
    plan = build_plan(recipe, 1, PLANES)
    assert plan.stages_for("plate") == ()
    assert [s.out for s in plan.stages_for("matte", "b")] == ["matte:b"]
    assert [s.out for s in plan.stages_for("matte")] == ["matte:a", "matte:b"]
    assert [s.out for s in plan.stages_for("composite")] == ["matte:a", "matte:b"]
    assert plan.stages_for("despilled") == ()
    for view in VIEWS:
        assert set(plan.stages_for(view)) <= set(plan.stages)


def test_the_largest_settings_stay_within_the_declared_halo() -> None:
    """No operation looks further than 256 px. Our own rule, no outside source."""
    for refine in (
        Refine(despeckle=Despeckle(holes_px=24, specks_px=24)),
        Refine(guide=Guide(radius_px=64)),
        Refine(protect_edges=ProtectEdges(distance_px=64)),
        Refine(choke_px=-32),
        Refine(soften_px=64),
    ):
        assert 0 < refine_halo(refine) <= MAX_HALO_PX


def test_half_size_halves_the_radii() -> None:
    """Radii are in source pixels whatever size is keyed. Our own rule, no outside source."""
    recipe = Recipe(extractors=[ColourDifference(id="a", refine=Refine(choke_px=3, soften_px=8))])
    half = build_plan(recipe, 1, PLANES, scale=0.5).recipe.extractors[0].refine
    assert (half.choke_px, half.soften_px) == (1.5, 4)
    assert recipe.extractors[0].refine.choke_px == 3


def test_matte_noise_follows_the_propagation_of_uncertainty() -> None:
    """Source: JCGM 100:2008 (GUM), uncorrelated inputs: var(e) is the sum of the variances."""
    screen = Screen(colour=(0.1, 0.5, 0.2), noise=Noise(gain=(0, 0, 0), offset=(9e-4, 4e-4, 16e-4)))
    plan = build_plan(Recipe(screen=screen, extractors=[ColourDifference()]), 1, PLANES)
    assert sigma_alpha(plan) == pytest.approx((4e-4 + 16e-4) ** 0.5 / 0.3)


def test_every_view_has_a_whole_row() -> None:
    """Every view's output is one the fused launch knows, no two alike; a measure has its scale.

    Our own rule, no outside source.
    """
    assert get_args(ViewName) == VIEWS
    bits = [row.output for row in VIEW_TABLE.values()]
    assert len(set(bits)) == len(bits)
    assert set(bits) <= set(constants())
    for row in VIEW_TABLE.values():
        assert row.title[0].isupper()
        assert row.help
        assert bool(row.marks) == bool(row.scale) == (row.finish in ("evenness", "alpha_noise"))

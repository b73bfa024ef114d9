"""Recipes: declared once, refused with one clear sentence, keyed over frames, saved whole."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kernels.explain import explain
from kernels.parameters import Key, Keys
from kernels.recipe import (
    EXTRACTORS,
    ChromaDistance,
    ColourDifference,
    CurvePoint,
    DespillPass,
    ExtractorBase,
    HueBand,
    HueCurve,
    Levels,
    PlateDifference,
    ProtectEdges,
    Recipe,
    Refine,
    Shape,
    ShapePose,
    Unmix,
    ValueBand,
    starting_recipe,
)
from kernels.recipe_file import (
    RecipeError,
    changed_parameters,
    load_recipe,
    parse_recipe,
    recipe_hash,
    recipe_schema,
    save_recipe,
)


def written(**changes: Any) -> str:
    """A recipe as JSON text with some top-level values replaced."""
    return json.dumps({**starting_recipe().dump(), **changes})


def test_a_recipe_survives_being_written_and_read() -> None:
    """Source: RFC 8259, JSON keeps every value that a recipe may hold."""
    recipe = starting_recipe("blue")
    recipe.garbage = [
        Shape(poses=[ShapePose(frame=1, points=[(0.5, 0.5), (10.25, 3.0), (4.0, 9.0)])])
    ]
    recipe.extractors[0].strength = Keys(keys=[Key(frame=1, value=0.25), Key(frame=9, value=1)])
    assert parse_recipe(json.dumps(recipe.dump())) == recipe


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("{", "not valid JSON"),
        ("[]", "not a recipe"),
        ('{"format": "something-else"}', "not a recipe"),
        (written(version=99), "newer Verdigris"),
        (written(version="1"), "whole number"),
        (written(colour="red"), "'colour' is not a parameter"),
        (written(extractors=[{"kind": "value_band", "gain": 1}]), "'extractors[0].gain'"),
        (written(extractors=[{"kind": "nothing"}]), "extractors[0]"),
        (written(extractors=[{"kind": "colour_difference", "gain": "2"}]), "gain"),
        (written(extractors=[{"kind": "colour_difference", "strength": 1.5}]), "at most 1"),
        (written().replace('"gain": 1.0', '"gain": NaN', 1), "NaN"),
        (written().replace('"gain": 1.0', '"gain": 1e999', 1), "gain"),
        (written(extractors=[{"kind": "value_band", "low_out": 0.5, "low_in": 0.1}]), "in order"),
        (written(despill=[{"mask": "nobody"}]), "does not exist"),
        (written(extractors=[{"kind": "value_band", "id": "a"}] * 2), "the same id"),
        ("[" * 100_000, "not valid JSON"),
    ],
)
def test_a_wrong_recipe_is_refused_with_one_sentence(text: str, says: str) -> None:
    """One sentence a problem, as the command line promises. Our own rule, no outside source."""
    with pytest.raises(RecipeError) as caught:
        parse_recipe(text, "key.json")
    message = str(caught.value)
    assert says in message
    assert "key.json" in message
    assert "\n" not in message


def test_keys_hold_their_ends_and_move_between_them() -> None:
    """Source: linear interpolation and the smoothstep polynomial 3t^2 - 2t^3, by hand."""
    keys = [Key(frame=10, value=2.0), Key(frame=20, value=4.0)]
    assert [Keys(keys=keys).at(f) for f in (0, 10, 15, 20, 99)] == [2, 2, 3, 4, 4]
    assert Keys(keys=keys, between="hold").at(19) == 2
    assert Keys(keys=keys, between="smooth").at(12) == pytest.approx(2 + 2 * 0.104)


@given(st.integers(-50, 50), st.lists(st.floats(0, 1), min_size=1, max_size=5))
def test_a_keyed_value_never_leaves_the_range_of_its_keys(frame: int, values: list[float]) -> None:
    """Source: interpolation between neighbours is a convex combination."""
    keys = Keys(keys=[Key(frame=10 * i, value=v) for i, v in enumerate(values)], between="smooth")
    assert min(values) - 1e-12 <= keys.at(frame) <= max(values) + 1e-12


def test_a_key_outside_the_hard_range_is_refused() -> None:
    """Every key is checked like a plain value. Our own rule, no outside source."""
    strength = {"keys": [{"frame": 1, "value": 0.5}, {"frame": 2, "value": 3}]}
    with pytest.raises(RecipeError, match="strength is 3, it must be at most 1"):
        parse_recipe(written(extractors=[{"kind": "hue_band", "strength": strength}]))


def test_resolving_replaces_keys_and_nothing_else() -> None:
    """A recipe without keys is itself at every frame. Our own rule, no outside source."""
    recipe = starting_recipe()
    assert recipe.at(7) == recipe
    recipe.extractors[0].refine.choke_px = Keys(
        keys=[Key(frame=0, value=0), Key(frame=10, value=1)]
    )
    assert recipe.at(5).extractors[0].refine.choke_px == 0.5


def test_every_number_in_the_schema_tells_unit_step_default_and_help() -> None:
    """The page's controls are built from nothing but the schema.

    Our own rule, no outside source.
    """
    definitions = recipe_schema()["$defs"]
    told = 0
    for name, definition in definitions.items():
        for field, described in definition.get("properties", {}).items():
            if not described.get("keyable"):
                continue
            told += 1
            for word in ("unit", "step", "description"):
                assert word in described, f"{name}.{field} has no {word}"
            assert "default" in described, f"{name}.{field}"
            assert (
                "drag" in described
                or ("low" in described and "high" in described)
                or ("low" in described)
            ), f"{name}.{field} has no range to drag"
            if "drag" in described:
                low, high = described["drag"]
                assert math.isfinite(low)
                assert low < high
    assert told > 50


def test_every_kind_is_in_the_schema_and_explained() -> None:
    """An extractor that people cannot read about is not finished.

    Our own rule, no outside source.
    """
    for kind, model in EXTRACTORS.items():
        recipe = Recipe(extractors=[model(name=f"my {kind}")])  # type: ignore[list-item]
        assert f"my {kind}" in explain(recipe)


def test_explain_names_what_was_decided() -> None:
    """Plain sentences for people who were not there. Our own rule, no outside source."""
    recipe = starting_recipe()
    recipe.extractors.append(ValueBand(name="lamp", role="edge", low_out=0.5, low_in=0.6))
    recipe.despill.append(
        DespillPass(
            name="warm",
            fill="none",
            spill_by_hue=HueCurve(points=[CurvePoint(hue_deg=30, value=0)]),
        )
    )
    recipe.notes["extractors." + recipe.extractors[0].id] = "the screen is even within 0.3 stops"
    text = explain(recipe)
    for phrase in (
        "'lamp' (edge)",
        "combines with the matte before by union",
        "varies by hue",
        "even within 0.3 stops",
    ):
        assert phrase in text


def test_saving_is_atomic_and_leaves_no_other_file(tmp_path: Path) -> None:
    """Source: POSIX rename(2), a rename within a folder is atomic."""
    path = tmp_path / "key.json"
    save_recipe(starting_recipe(), path)
    save_recipe(starting_recipe("blue"), path)
    assert [p.name for p in tmp_path.iterdir()] == ["key.json"]
    assert load_recipe(path).screen.primary == "blue"


@pytest.mark.parametrize("name", ["missing.json", "."])
def test_an_unreadable_recipe_is_one_sentence(tmp_path: Path, name: str) -> None:
    """One sentence naming the file. Our own rule, no outside source."""
    with pytest.raises(RecipeError, match="cannot read"):
        load_recipe(tmp_path / name)
    (tmp_path / "picture.json").write_bytes(b"\x89PNG\xff\xfe")
    with pytest.raises(RecipeError, match="not a text file"):
        load_recipe(tmp_path / "picture.json")


def test_the_hash_follows_the_content() -> None:
    """Source: SHA-256 (FIPS 180-4) of the canonical JSON."""
    recipe = starting_recipe()
    same = parse_recipe(json.dumps(recipe.dump(), indent=1))
    assert recipe_hash(recipe) == recipe_hash(same)
    same.extractors[0].strength = 0.5
    assert recipe_hash(recipe) != recipe_hash(same)


def test_changed_parameters_lists_only_what_differs() -> None:
    """What an operator changed can be listed. Our own rule, no outside source."""
    recipe = Recipe(extractors=[ColourDifference(gain=1.5)])
    changed = changed_parameters(recipe)
    assert changed["extractors.0.gain"] == 1.5
    assert "extractors.0.lean" not in changed


def sentence(extractor: Any, **source: Any) -> str:
    """What `explain` says of one extractor."""
    recipe = Recipe(extractors=[extractor])
    for name, value in source.items():
        setattr(recipe.source, name, value)
    return next(line for line in explain(recipe).splitlines() if line.startswith("Extractor"))


@pytest.mark.parametrize("model", EXTRACTORS.values())
def test_explain_names_no_denoised_pass_where_there_is_none(model: Any) -> None:
    """Our own rule, no outside source: an extractor then looks at the plate, and that is said."""
    assert "denoised" not in sentence(model())
    assert "plate" in sentence(model())
    assert "denoised pass" in sentence(model(), denoised_path="baked.####.exr")
    assert "denoised" not in sentence(model(key_from="plate"), denoised_path="baked.####.exr")


@pytest.mark.parametrize(
    ("extractor", "phrases"),
    [
        (
            HueBand(hue_deg=115, spread_deg=25, fade_deg=12, saturation_floor=0.2, space="log"),
            ("within 25 degrees to either side of 115", "over 12 more", "over 0.2", "in log"),
        ),
        (PlateDifference(norm="largest", space="log"), ("by the largest channel", "in log")),
        (PlateDifference(norm="delta_e_2000", space="log"), ("by CIE delta E 2000",)),
        (PlateDifference(relative=True), ("in parts of the screen's own value",)),
        (
            ColourDifference(excess="balance", comparison_level=1.1, red_blue_balance=-0.2),
            ("a mix of red and blue at level 1.1", "red\u2013blue balance -0.2"),
        ),
        (ColourDifference(), ("green compared with the larger of red and blue",)),
        (ColourDifference(lean=0.4), ("a lean of 0.4 from the smaller to the larger",)),
        (ChromaDistance(luminance_weight=0.5), ("brightness counted by 0.5", "in log")),
        (
            Unmix(shading=0.25, solidity=1.5, screen_level=0.9, see_through_colour=(0.7, 0.8, 0.9)),
            (
                *("64 px", "free within 0.25", "within 0.006", "solidity 1.5"),
                *(
                    "the screen 0.9 as bright",
                    "see-through is (0.7, 0.8, 0.9)",
                    "none was measured",
                ),
            ),
        ),
        (ValueBand(channel="red", low_out=None, low_in=None), ("no lower end", "red channel")),
    ],
)
def test_explain_tells_every_value_that_decides(extractor: Any, phrases: tuple[str, ...]) -> None:
    """Half widths as half widths, log, norm, floor and balance named.

    Our own rule, no outside source.
    """
    told = sentence(extractor)
    for phrase in phrases:
        assert phrase in told
    if getattr(extractor, "norm", "") == "delta_e_2000":
        assert "in log" not in told  # it goes from linear values by itself


def test_explain_tells_the_refinement() -> None:
    """Our own rule, no outside source: what acts is told, what does nothing is not."""
    refine = Refine(
        levels=Levels(clear_below=0.1, solid_above=0.8),
        protect_edges=ProtectEdges(distance_px=4, amount=0.5),
        choke_px=-1.5,
    )
    told = sentence(ValueBand(refine=refine))
    assert "clear below 0.1, solid above 0.8" in told
    assert "soft edges protected within 4 px, amount 0.5" in told
    assert "spread by 1.5 px" in told
    refine.protect_edges.amount = 0.0
    assert "protected" not in sentence(ValueBand(refine=refine))


def test_a_kind_without_a_sentence_of_its_own_is_told_with_all_its_values() -> None:
    """Our own rule, no outside source: a new extractor is never told wrongly."""

    class Glow(ExtractorBase):
        kind: str = "glow"
        low: float = 0.25

    recipe = Recipe(extractors=[ValueBand()])
    recipe.extractors[0] = Glow(name="lamp")  # type: ignore[call-overload]
    assert "'lamp' (core) is a glow of the plate, with low 0.25" in explain(recipe)

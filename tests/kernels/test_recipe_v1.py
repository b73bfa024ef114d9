"""Version 1 recipes: a file that version 1 wrote is read, and keys as version 1 keyed it."""

from __future__ import annotations

import json
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from kernels import recipe_v1
from kernels.inputs import mask_planes
from kernels.parameters import Key, Keys
from kernels.plan import build_plan
from kernels.recipe import VERSION, ColourDifference, level_and_balance, weights_of
from kernels.recipe_file import RecipeError, load_recipe, parse_recipe, recipe_text
from kernels.reference import execute
from kernels.reference.background import place
from kernels.reference.extract import weights

DATA = Path(__file__).parent / "data"
OLD_WORDS = (
    *("backing", "backdrop", "neutralise", "holdout", "carry", "join", "reads"),
    *("weight_first", "weight_second", "centre_deg", "width_deg", "softness_deg"),
    *("black", "white", "keep_soft_px", "turn_deg"),
)


def words_of(data: Any) -> set[str]:
    """Every key that stands anywhere in JSON data, and every part of a note's path."""
    if isinstance(data, dict):
        inner = set().union(*(words_of(value) for value in data.values()))
        return inner.union(*(key.split(".") for key in data))
    return set().union(*(words_of(item) for item in data)) if isinstance(data, list) else set()


def test_the_kept_file_is_of_version_1_and_uses_all_that_changed() -> None:
    """Our own rule, no outside source: the file below tests every word that version 2 changed."""
    data = json.loads((DATA / "version_1.json").read_text(encoding="utf-8"))
    assert data["version"] == 1
    assert set(OLD_WORDS) <= words_of(data)
    assert {e.get("join") for e in data["extractors"]} >= {"screen", None}
    assert any(step["fill"] == "backdrop" for step in data["neutralise"])


@pytest.mark.parametrize("frame", [1, 4, 9])
def test_a_version_1_file_keys_the_same(frame: int) -> None:
    """Mattes and composite within 1e-6 of what version 1's own code made of the same picture.

    Source: this project's recipe and reference as they were in version 1, run once; the planes they
    made are kept in data/version_1.npz. Frame 4 lies between the keys of every keyed value.
    """
    recipe = load_recipe(DATA / "version_1.json")
    kept = np.load(DATA / "version_1.npz")
    planes = {
        name.removeprefix("in_"): kept[name].astype(np.float32)
        for name in kept.files
        if name.startswith("in_")
    }
    height, width = planes["plate"].shape[-2:]
    planes["background"] = place(None, recipe.at(frame).assemble.background, width, height)
    planes |= mask_planes(recipe, frame, width, height)
    wanted = [name.partition("@")[0] for name in kept.files if name.endswith(f"@{frame}")]
    assert len(wanted) == 2 + len(recipe.extractors)
    made = execute.planes(build_plan(recipe, frame, planes), planes, wanted)
    for name, plane in made.items():
        assert np.abs(plane - kept[f"{name}@{frame}"]).max() <= 1e-6, name


def test_an_upgraded_file_is_written_as_version_2_without_an_old_word() -> None:
    """Our own rule, no outside source."""
    recipe = load_recipe(DATA / "version_1.json")
    text = recipe_text(recipe)
    data = json.loads(text)
    assert data["version"] == VERSION == 2
    assert not set(OLD_WORDS) & words_of(data)
    assert parse_recipe(text) == recipe


def test_the_notes_follow_their_parameters() -> None:
    """Each note's path names a part of the upgraded recipe. Our own rule, no outside source."""
    recipe = load_recipe(DATA / "version_1.json")
    data = recipe.dump()
    for path in recipe.notes:
        if path == "light":
            continue
        here: Any = data
        for part in path.split("."):
            here = (
                next(i for i in here if i["id"] == part) if isinstance(here, list) else here[part]
            )
    assert recipe.notes["extractors.edges.refine.protect_edges.distance_px"] == "hair"


CONSTANT = 0.3
LINEAR = Keys(keys=[Key(frame=3, value=0.2), Key(frame=17, value=0.9)])
SMOOTH = Keys(keys=[Key(frame=-4, value=1.5), Key(frame=9, value=0.1)], between="smooth")
HELD = Keys(keys=[Key(frame=0, value=0.4), Key(frame=8, value=1.0)], between="hold")
TWICE = Keys(keys=[Key(frame=3, value=0.4), Key(frame=17, value=1.8)])


@pytest.mark.parametrize(
    ("first", "second"), list(product((CONSTANT, LINEAR, SMOOTH, HELD, TWICE), repeat=2))
)
def test_keyed_weights_stay_what_they_were_at_every_frame(first: Any, second: Any) -> None:
    """Source: the interpolation of `Keys` itself, taken for each weight by itself."""

    def plain(value: Any) -> Any:
        return value.model_dump() if isinstance(value, Keys) else value

    old = {
        "extractors": [
            {"kind": "colour_difference", "excess": "weights"}
            | {"weight_first": plain(first), "weight_second": plain(second)}
        ]
    }
    new = recipe_v1.upgrade(old)["extractors"][0]
    extractor = ColourDifference.model_validate_json(json.dumps(new))
    for frame in range(-8, 25):
        at = extractor.model_copy(
            update={
                name: value.at(frame) if isinstance(value, Keys) else value
                for name, value in extractor
                if name in ("comparison_level", "red_blue_balance")
            }
        )
        wanted = [w.at(frame) if isinstance(w, Keys) else w for w in (first, second)]
        assert weights(at) == pytest.approx(wanted, abs=1e-12)


def test_weights_that_move_together_keep_their_own_keys() -> None:
    """A file does not grow where it need not. Our own rule, no outside source."""
    frames, between = recipe_v1._frames(LINEAR, TWICE)
    assert (frames, between) == ([3, 17], "linear")


@pytest.mark.parametrize(("first", "second"), [(0.5, 0.5), (0, 0), (0.62, 0), (0, 1.3), (0.1, 2)])
def test_level_and_balance_say_what_two_weights_say(first: float, second: float) -> None:
    """There and back: level (1 +- balance) / 2, worked by hand.

    Our own rule, no outside source.
    """
    level, balance = level_and_balance(first, second)
    assert level == first + second
    assert -1 <= balance <= 1
    assert weights_of(level, balance) == pytest.approx((first, second), rel=0, abs=2e-16 * level)


def test_a_broken_version_1_file_is_refused_in_one_sentence() -> None:
    """Our own rule, no outside source: what is wrong with it is said, nothing breaks."""
    broken = {"format": "verdigris-recipe", "version": 1}
    for more in (
        {"extractors": [{"kind": "colour_difference", "weight_first": "much"}]},
        {"extractors": [{"kind": "hue_band", "width_deg": {"keys": 3}}]},
        {"extractors": [3], "neutralise": "all", "refine": {"levels": 4}},
        {"assemble": {"backdrop": 4}, "notes": []},
    ):
        with pytest.raises(RecipeError, match="old") as caught:
            parse_recipe(json.dumps({**broken, **more}), "old")
        assert "\n" not in str(caught.value)

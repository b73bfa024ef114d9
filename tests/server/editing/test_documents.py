"""A change looked at in part leads to the same recipe, or the same complaint, as the whole does."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kernels.parameters import Key, Keys
from kernels.recipe import (
    ChromaDistance,
    ColourDifference,
    DespillPass,
    PlateDifference,
    Recipe,
)
from server.editing.documents import WriteError, apply, changed, validated
from server.wire.messages import SetOp

PATHS = {
    "name": ["x", 5, "", "y" * 300],
    "version": [2, 1, "2"],
    "extractors/core/gain": [
        1.5,
        2,
        -1,
        float("nan"),
        "much",
        {"keys": [{"frame": 1, "value": 2}]},
    ],
    "extractors/core/gain/keys": [[], [{"frame": 3, "value": 1}]],
    "extractors/core/id": ["edge", "fresh", ""],
    "extractors/core/kind": ["hue_band", "no such kind"],
    "extractors/edge/refine/levels/clear_below": [0.1, 7.0, None],
    "extractors": [[], None, {}, "text"],
    "despill/spill/mask": ["", "core", "cumulative", "nobody"],
    "despill/spill/amount": [0.3, 9.0],
    "garbage": [[], [{"kind": "nothing"}]],
    "refine/choke_px": [2, 1e9],
    "assemble/background/path": ["a.exr", 7],
    "assemble/foreground_gain": [[1, 2, 3], [1, 2], [1, 2, float("inf")]],
    "look/exposure_stops": [1, 100],
    "screen/colour": [[0.1, 0.5, 0.1], [-1, 0, "x"]],
    "notes": [{"a": "b"}, {"a": 1}],
}
CHANGES = [(path, value) for path, values in PATHS.items() for value in values]


def recipe() -> Recipe:
    return Recipe(
        extractors=[
            ColourDifference(id="core", role="core"),
            ChromaDistance(id="edge", role="edge"),
            PlateDifference(id="rest", full=Keys(keys=[Key(frame=1, value=0.4)])),
        ],
        despill=[DespillPass(id="spill")],
    )


def outcome(work: Any) -> tuple[str, Any]:
    try:
        made, plain = work()
    except WriteError as error:
        return "refused", str(error)
    assert plain == made.dump()
    return "made", plain


@given(st.lists(st.sampled_from(CHANGES), min_size=1, max_size=4))
def test_partly_checked_changes_equal_wholly_checked_ones(changes: list[tuple[str, Any]]) -> None:
    """One change after the other, good and bad ones: recipe, plain data and sentence are the same.

    Source: the whole recipe's own validation, which files and undo go through.
    """
    now = recipe()
    document = now.dump()
    for path, value in changes:
        try:
            after = apply(document, SetOp(op="set", path=path, value=value))
        except WriteError:
            continue

        def whole(after: Any = after) -> tuple[Recipe, Any]:
            made = validated(after)
            return made, made.dump()

        expected = outcome(whole)
        kept = document
        found = outcome(lambda: changed(now, kept, after))  # noqa: B023
        assert found == expected
        if expected[0] == "made":
            now, document = changed(now, document, after)
            assert now == validated(after)


def test_parts_that_stay_are_shared() -> None:
    """A drag makes one extractor anew; the other parts of the recipe are the same objects."""
    now = recipe()
    document = now.dump()
    after = apply(document, SetOp(op="set", path="extractors/core/gain", value=1.25))
    made, plain = changed(now, document, after)
    assert made.extractors[0] is not now.extractors[0]
    assert made.extractors[1] is now.extractors[1]
    assert plain["extractors"][1] is document["extractors"][1]
    assert made.assemble is now.assemble
    assert now.extractors[0] == recipe().extractors[0]


@pytest.mark.parametrize("frame", [1, 9])
def test_a_recipe_with_keys_is_resolved_in_a_copy(frame: int) -> None:
    """Resolving leaves the recipe as it is and shares only parts without keys."""
    now = recipe()
    resolved = now.at(frame)
    assert resolved.extractors[2].__dict__["full"] == 0.4
    assert now == recipe()
    assert resolved.extractors[0] is now.extractors[0]

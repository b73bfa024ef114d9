"""When a picture is keyed at half size."""

from __future__ import annotations

from typing import Any, cast

import pytest

from kernels.engine import Abilities
from server.pictures.keys import PictureKey, Quality, Sight
from server.pictures.maker import DRAFT_FROM_S, Pace

WHOLE = (0, 0, 1920, 1080)


class _Drafts:
    abilities = Abilities(own_memory=False, uses_cores=True, drafts=True, bytes_per_value=4)


def draft(
    pace: Pace, region: tuple[int, int, int, int] = WHOLE, quality: Quality = Quality.MOVING
) -> int:
    key = PictureKey(1, 1, 1, Sight("composite"), 960, 540, quality)
    return pace.draft(cast(Any, _Drafts()), key, region)


def test_full_size_stays_until_it_is_measured_to_be_slow() -> None:
    """Our own rule, no outside source: a draft only where the full resolution takes too long."""
    pace = Pace()
    assert draft(pace) == 1
    pace.note(0.9 * DRAFT_FROM_S)
    assert draft(pace) == 1
    for _ in range(9):
        pace.note(3 * DRAFT_FROM_S)
    assert draft(pace) == 2
    for _ in range(9):
        pace.note(0.5 * DRAFT_FROM_S)
    assert draft(pace) == 1


@pytest.mark.parametrize(
    ("region", "quality"),
    [
        (WHOLE, Quality.REST),
        (WHOLE, Quality.LOSSLESS),
        ((0, 0, 1280, 720), Quality.MOVING),  # hardly coarser than the picture
        ((1, 0, 1921, 1080), Quality.MOVING),  # has no half size
    ],
)
def test_no_draft_at_rest_nor_where_it_shows(
    region: tuple[int, int, int, int], quality: Quality
) -> None:
    """Our own rule, no outside source."""
    assert draft(Pace(seconds=10 * DRAFT_FROM_S), region, quality) == 1

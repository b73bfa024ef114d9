"""What the colours of measuring views mean, under the picture."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from kernels.reference.display import PALETTE, false_colour_table
from kernels.reference.view import EVENNESS_STOPS, NOISE_RANGE
from tests.web.conftest import DESK, TABLET, UPRIGHT
from tests.web.seat import Seat
from tests.web.test_picture import show


def test_measuring_views_have_the_engines_own_legend(desk: Seat) -> None:
    """Source: `kernels.reference.view` and `display`: ranges, colour line and palette in use."""
    show(desk, "evenness")
    legend = desk.page.locator(".legend")
    assert f"+{EVENNESS_STOPS:g}" in legend.inner_text()
    show(desk, "alpha_noise")
    assert "No noise is measured yet" in legend.inner_text()
    desk.page.evaluate(
        """() => page.set(["screen", "noise", "gain"], [1e-4, 1e-4, 1e-4], { label: "noise" })"""
    )
    desk.settle()
    assert f"{NOISE_RANGE:g}" in legend.inner_text()
    show(desk, "deciding")
    assert legend.inner_text().splitlines() == ["Matte decided by", "screen", "none of them"]
    assert "the extractor that decides its matte" in desk.page.inner_text("#shown")
    more = desk.page.get_by_label("More views")
    assert more.locator("option:checked").inner_text() == "By extractor"
    show(desk, "plate")
    assert not legend.is_visible()
    ends, palette = desk.page.evaluate(
        """async () => {
            const m = await import("/js/legend.js");
            return [m.LINE.map(m.srgbOfLab), m.PALETTE];
        }"""
    )
    table = np.asarray(false_colour_table()) * 255
    assert np.abs(np.asarray(ends) - table[[0, -1]]).max() <= 2
    assert np.array_equal(palette, np.round(PALETTE * 255))


@pytest.mark.parametrize(("size", "touch"), [(DESK, False), (TABLET, True), (UPRIGHT, True)])
def test_legends_hide_nothing_and_are_not_cut_off(
    seat: Callable[..., Seat], signed_in: dict[str, Any], size: Any, touch: bool
) -> None:
    """Common practice, no source: an explanation never lies over what it explains."""
    one = seat(size=size, touch=touch)
    one.reset(signed_in["recipe"])
    picture = one.page.locator("#picture").bounding_box()
    for name in ("evenness", "alpha_noise", "deciding"):
        show(one, name)
        legend = one.page.locator(".legend").bounding_box()
        assert legend["y"] >= picture["y"] + picture["height"]
        assert one.page.locator("#picture").bounding_box() == picture, "the picture stays"
        cut = one.page.evaluate(
            """() => [...document.querySelectorAll(".legend .title, .legend .name, .legend")]
                .filter((n) => n.scrollWidth > n.clientWidth + 1 && n.clientWidth > 0)
                .map((n) => n.textContent)"""
        )
        assert cut == []
        assert not one.page.locator("#shown").is_visible()
    show(one, "plate")
    assert one.page.locator("#shown").is_visible()

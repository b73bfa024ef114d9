"""How opaque a pixel is if its subject has an everyday colour: grey, or warmer or cooler than grey.

Most things and lights lie near one line in the logarithms of red, green and blue, from warm to
cool. Where the ray from the screen's colour through the pixel meets that line is the likeliest F.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.measure.screen_find import channel_index
from kernels.recipe import Primary

Array = NDArray[Any]
GREEN_FROM_RED = 0.5
"""ln F_g = .5 ln F_r + .5 ln F_b."""
BLUE_BEYOND_GREEN = 0.6
"""ln F_b = ln F_g + .6 (ln F_g - ln F_r)."""
RED_BEYOND_GREEN = 0.6
HALVINGS = 8
DARKEST = 0.004


def over_line(colour: Array, primary: Primary) -> Array:
    """ln F_k less what the line says of it (h, w); above 0 the colour leans to the screen's."""
    red, green, blue = np.log(np.maximum(colour, DARKEST))
    if primary == "green":
        return np.asarray(green - GREEN_FROM_RED * red - (1 - GREEN_FROM_RED) * blue)
    if primary == "blue":
        return np.asarray(blue - green - BLUE_BEYOND_GREEN * (green - red))
    return np.asarray(red - green - RED_BEYOND_GREEN * (green - blue))


def balanced_alpha(plate: Array, clean: Array, primary: Primary) -> Array:
    """1 - e'(p)/e'(c) (h, w), e' = x_k - mean of the others: exact for a grey F. Not clamped."""
    k, i, j = channel_index(primary)
    p = plate[k] - (plate[i] + plate[j]) / 2
    c = clean[k] - (clean[i] + clean[j]) / 2
    return np.asarray(1 - p / np.maximum(c, 1e-4), np.float32)


def likely_alpha(plate: Array, clean: Array, primary: Primary) -> Array:
    """The alpha (h, w) of the likeliest everyday F: the grey one, or where that is no grey, the one
    on the line. Grey counts when its two other channels differ by less than .3 of their mean.
    """
    _, i, j = channel_index(primary)
    grey = balanced_alpha(plate, clean, primary)
    colour = np.maximum(clean + (plate - clean) / np.clip(grey, 0.02, 2), 0)
    mean = (colour[i] + colour[j]) / 2 + 0.02
    coloured = np.clip((np.abs(colour[i] - colour[j]) / mean - 0.3) / 0.3, 0, 1)
    return np.asarray(grey + coloured * (natural_alpha(plate, clean, primary) - grey))


def natural_alpha(plate: Array, clean: Array, primary: Primary) -> Array:
    """alpha (h, w) at which F = c + (p - c) / alpha meets the line, by halving; 1 where p is past
    it already. At the least alpha F has lost all of the primary, or a tenth of the pixel's light.
    """
    k, _, _ = channel_index(primary)
    r = plate - clean
    high = np.ones_like(plate[0])
    low = np.clip(1 - plate[k] / np.maximum(clean[k], 1e-4), 0.02, 1)
    beyond = over_line(np.maximum(plate, 0), primary) > 0
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        leans = over_line(clean + r / middle, primary) > 0
        high, low = np.where(leans, middle, high), np.where(leans, low, middle)
    return np.asarray(np.where(beyond, (low + high) / 2, 1.0), np.float32)

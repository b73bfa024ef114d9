"""What a key of the shot has to cope with: the matte's noise by place, and bias at edges."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.measure.noise import covariance_at
from kernels.measure.screen_find import channel_index
from kernels.measure.subject import Regions, subject_weights
from kernels.recipe import Noise, Primary

Array = NDArray[Any]
EVERY = 3
"""Of the working picture's rows and columns, one in so many is looked at for noise."""


def matte_noise_dark(
    clean: Array,
    colour: tuple[float, float, float],
    areas: Regions,
    noise: Noise,
    primary: Primary,
) -> float | None:
    """Return the plain colour difference's noise where the screen is at its worst.

    sigma(y) = sqrt(v' S(c) v) / e(c) at each place of the visible screen, S the noise's covariance
    at the clean plate's level, v = (1 for k, -1 for the larger other channel); the 95th percentile.
    clean: (3, h, w) working-linear; of full coverage; None when no screen shows. Source: error
    propagation through the colour difference of Smith & Blinn 1996.
    """
    k, i, j = channel_index(primary)
    seen = areas.visible_screen[::EVERY, ::EVERY]
    if not seen.any():
        return None
    levels = clean[:, ::EVERY, ::EVERY][:, seen]
    v = np.zeros(3)
    v[k], v[i if colour[i] >= colour[j] else j] = 1.0, -1.0
    variance = np.einsum("nab,a,b->n", covariance_at(noise, levels.T), v, v)
    excess = levels[k] - np.maximum(levels[i], levels[j])
    sigma = np.sqrt(np.maximum(variance, 0)) / np.maximum(excess, 1e-6)
    return float(min(np.percentile(sigma, 95), 1.0))


def key_bias(
    small: Array,
    clean: Array,
    colour: tuple[float, float, float],
    areas: Regions,
    primary: Primary,
) -> float | None:
    """Return by how much a colour difference misreads the subject's colours at its edges.

    The mean over edge pixels of |e(F)| / e(c), at most 1 each, with the weights that fit the
    subject best (`subject_weights`) and F the subject's colour nearby: a partly covered pixel is
    read as alpha (1 - e(F)/e(c)). 0 is exact. small, clean: (3, h, w). None without edges.
    Source: the algebra of Smith & Blinn 1996.
    """
    if not areas.edge.any():
        return None
    k, i, j = channel_index(primary)
    first, second = subject_weights(small, colour, areas, primary)
    v = np.zeros(3)
    v[k], v[i], v[j] = 1.0, -first, -second
    foreground, screen = (v @ planes[:, areas.edge] for planes in (areas.foreground, clean))
    ratio = np.abs(foreground) / np.maximum(screen, 1e-6)
    return float(np.minimum(ratio, 1.0).mean())

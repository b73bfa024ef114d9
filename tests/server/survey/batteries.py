"""Two batteries of set-ups, good to hopeless: one to tune limits on, one held out to report on.

The tuning battery is written by hand. The held-out one is drawn: other seeds, and every value drawn
from a range, so that no value was chosen with a result in mind.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.server.survey.setups import Look


def tuning() -> list[Look]:
    """Return the 40 set-ups that limits and weights are tuned on."""
    good = [Look(f"good {n}", seed=n) for n in range(1, 5)]
    blue = Look("blue", primary="blue", seed=5)
    red = Look("red", primary="red", seed=6, body=(0.10, 0.16, 0.30), head=(0.2, 0.3, 0.35))
    return [
        *good,
        blue,
        replace(blue, name="blue noisy", noise_a=6e-4, noise_b=6e-5),
        replace(blue, name="blue uneven", falloff_stops=1.8, seed=7),
        red,
        replace(red, name="red dim", level_stops=-2.5, seed=8),
        *(Look(f"uneven {s}", falloff_stops=s, seed=9) for s in (1.0, 1.9, 3.2)),
        *(Look(f"under-lit {s}", level_stops=-s, noise_b=2e-5, seed=10) for s in (2, 3.2, 4.5)),
        *(Look(f"noisy {n}", noise_a=n, noise_b=n / 8, seed=11) for n in (4e-4, 1.5e-3, 5e-3)),
        Look("clipped some", level_stops=1.6, falloff_stops=1.0, clip_at=0.95, seed=12),
        Look("clipped much", level_stops=2.6, falloff_stops=0.8, clip_at=0.95, seed=12),
        Look("clipped all", level_stops=4.0, clip_at=0.95, seed=12),
        *(Look(f"costume {g}", body=(0.16, g, 0.12), seed=13) for g in (0.21, 0.27, 0.33)),
        *(Look(f"spill {s}", spill=s, seed=14) for s in (0.15, 0.35, 0.6)),
        *(Look(f"washed {a}", ambient=a, seed=15) for a in (0.08, 0.25, 0.6)),
        Look("half screen", screen=(0.22, 0.8), seed=16),
        Look("half screen noisy", screen=(0.22, 0.8), noise_a=8e-4, noise_b=1e-4, seed=16),
        Look("half chroma", halve_chroma=True, seed=17),
        Look("half chroma noisy", halve_chroma=True, noise_a=8e-4, noise_b=1e-4, seed=17),
        Look("soft", lens_px=2.5, seed=18),
        Look("dim, noisy, uneven", level_stops=-2.5, falloff_stops=1.6, noise_b=5e-5, seed=19),
        Look("pan", pan_px=(6.0, 0.0), cloth_stops=0.03, seed=31),
        Look("pan uneven", pan_px=(5.0, 1.0), falloff_stops=1.6, cloth_stops=0.03, seed=32),
        Look("hand-held", shake_px=3.0, cloth_stops=0.02, seed=33),
        Look("tracking", pan_px=(7.0, 0.0), follows=True, falloff_stops=1.0, markers=8, seed=35),
        Look("no screen 1", has_screen=False, seed=20),
        Look("no screen 2", has_screen=False, seed=21),
    ]


def held_out(seed: int = 9000) -> list[Look]:
    """Return 45 set-ups, drawn: each kind three times, its values anew each time."""
    rng = np.random.default_rng(seed)
    looks = []
    for kind in KINDS:
        for n in range(3):
            look = Look(f"{kind} {n + 1}", seed=seed + len(looks), **_everyday(rng))
            looks.append(_troubled(look, kind, n, rng))
    return looks


KINDS = (
    "good",
    "uneven",
    "under-lit",
    "clipped",
    "noisy",
    "costume",
    "spill",
    "washed",
    "half screen",
    "half chroma",
    "blue",
    "red",
    "moving",
    "mixed",
    "no screen",
)


def _everyday(rng: np.random.Generator) -> dict[str, float]:
    """Draw what differs between any two shots."""
    return {
        "level_stops": _between(rng, -0.5, 0.5),
        "falloff_stops": _between(rng, 0.1, 0.45),
        "noise_a": _between(rng, 3e-5, 1.2e-4, even_in_log=True),
        "noise_b": _between(rng, 2e-6, 8e-6, even_in_log=True),
        "spill": _between(rng, 0.0, 0.07),
        "lens_px": _between(rng, 0.5, 1.2),
        "cloth_stops": _between(rng, 0.0, 0.03),
    }


def _between(
    rng: np.random.Generator, low: float, high: float, *, even_in_log: bool = False
) -> float:
    if even_in_log:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))
    return float(rng.uniform(low, high))


def _troubled(look: Look, kind: str, n: int, rng: np.random.Generator) -> Look:
    """Return the look with the kind's trouble; every value drawn."""

    def draw(low: float, high: float) -> float:
        return _between(rng, low, high)

    def draw_log(low: float, high: float) -> float:
        return _between(rng, low, high, even_in_log=True)

    match kind:
        case "uneven":
            return replace(look, falloff_stops=draw(0.8, 3.5))
        case "under-lit":
            return replace(look, level_stops=-draw(1.0, 4.5), noise_b=draw_log(5e-6, 4e-5))
        case "clipped":
            return replace(
                look, level_stops=draw(1.2, 3.0), falloff_stops=draw(0.4, 1.3), clip_at=0.95
            )
        case "noisy":
            noise = draw_log(3e-4, 6e-3)
            return replace(look, noise_a=noise, noise_b=noise / draw(4, 12))
        case "costume":
            return replace(look, body=(draw(0.13, 0.18), draw(0.19, 0.34), draw(0.10, 0.14)))
        case "spill":
            return replace(look, spill=draw(0.1, 0.65))
        case "washed":
            return replace(look, ambient=draw_log(0.05, 0.5))
        case "half screen":
            sides = draw(0.1, 0.3), draw(0.72, 0.9)
            return replace(look, screen=sides, noise_a=draw_log(5e-5, 1e-3))
        case "half chroma":
            return replace(look, halve_chroma=True, noise_a=draw_log(5e-5, 1.2e-3))
        case "blue":
            return replace(look, primary="blue", noise_a=draw_log(5e-5, 1e-3))
        case "red":
            cold = {"body": (0.10, 0.16, 0.30), "head": (0.2, 0.3, 0.35)}
            return replace(look, primary="red", level_stops=-draw(0.0, 2.5), **cold)  # type: ignore[arg-type]
        case "moving":
            cloth = {"cloth_stops": draw(0.02, 0.05), "falloff_stops": draw(0.3, 1.5)}
            if n == 1:
                return replace(look, shake_px=draw(2.0, 5.0), **cloth)  # type: ignore[arg-type]
            pan = draw(-9.0, 9.0), draw(-1.5, 1.5)
            return replace(look, pan_px=pan, follows=n == 2, **cloth)  # type: ignore[arg-type]
        case "mixed":
            return replace(
                look,
                level_stops=-draw(0.0, 3.0),
                falloff_stops=draw(0.3, 2.5),
                noise_a=draw_log(5e-5, 2e-3),
                spill=draw(0.0, 0.4),
            )
        case "no screen":
            return replace(look, has_screen=False)
    return look

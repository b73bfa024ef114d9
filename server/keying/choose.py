"""Choosing among arrangements of a key by what can be measured of their mattes without truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.engine import Engine
from kernels.engines import choose_engine
from kernels.inputs import gather
from kernels.measure.screen_surface import resized
from kernels.plan import build_plan
from kernels.recipe import Noise
from server.keying.arrange import ARRANGEMENTS, USUAL, arrange
from server.keying.findings import Findings
from server.keying.prove import (
    WEIGHTS,
    Evidence,
    Proof,
    expected_error,
    gather_evidence,
    prove,
    restlessness,
)

Array = NDArray[Any]
JUDGED_WIDTH = 960
"""Wider pictures are averaged down before they are keyed for judging."""
MARGIN, LEAST_GAIN = 0.4, 0.001
"""Another arrangement is taken only when its figure is this much of the usual one's or less, and
lower by so much: close figures do not tell good mattes apart, so this is an alarm and a way out. On
19 shots of one family figures down to .54 of unmix's went with mattes that were worse than its."""
FAULTS = {
    "bare_left": "matte left on bare screen",
    "missing": "matte missing where the screen is covered",
    "solid_lost": "solid places gone clear",
    "half_inside": "half-coverage deep inside",
    "overfilled": "see-through places filled",
    "unexplained": "pixels that matte and screen do not explain",
    "grain": "grain where it should be bare",
    "restless": "change over time where the plate rests",
}


@dataclass(frozen=True)
class Tried:
    """An arrangement, its proof and the figure that it was compared by."""

    arrangement: str
    proof: Proof
    expected: float


@dataclass(frozen=True)
class Choice:
    """All that was tried, the usual arrangement first, and what was taken."""

    tried: tuple[Tried, ...]
    taken: str

    @property
    def note(self) -> str:
        """Which arrangement was taken and why, as a recipe's note."""
        usual = self.tried[0]
        best = min(self.tried, key=lambda t: t.expected)
        others = ", ".join(f"{t.arrangement} {_per_mille(t.expected)}" for t in self.tried)
        told = f"measured without truth, in thousandths of the frame: {others}"
        if self.taken == usual.arrangement:
            why = "no other is clearly better" if best is not usual else "it measured best"
            return f"'{self.taken}' ({ARRANGEMENTS[self.taken]}) was taken: {why}; {told}"
        mine = next(t for t in self.tried if t.arrangement == self.taken)
        worst = _largest_fault(usual.proof, mine.proof)
        return (
            f"'{self.taken}' ({ARRANGEMENTS[self.taken]}) was taken: '{usual.arrangement}' has "
            f"more {FAULTS[worst]}; {told}"
        )


def _per_mille(value: float) -> str:
    return f"{1000 * value:.1f}"


def _largest_fault(usual: Proof, taken: Proof) -> str:
    """Return the figure in which the usual arrangement is most behind, as it was weighed."""
    weights, mine = WEIGHTS.as_dict(), taken.as_dict()
    behind = {n: weights[n] * (v - mine[n]) for n, v in usual.as_dict().items()}
    return max(behind, key=lambda n: behind[n])


def choose(
    found: Findings, plates: Sequence[Array], cleans: Sequence[Array], *, chosen: str = ""
) -> Choice:
    """Key one frame, or two that follow each other, by every arrangement and take one.

    plates, cleans: (3, H, W) working-linear of each frame. chosen: an arrangement to take whatever
    was measured. The usual one stands unless another measures MARGIN of it or less.
    """
    factor = max(1, round(plates[0].shape[2] / JUDGED_WIDTH))
    plates, cleans = _reduced(plates, factor), _reduced(cleans, factor)
    found = _reduced_findings(found, factor, plates[0].shape[2])
    evidence = [
        gather_evidence(p, c, found.noise, found.primary)
        for p, c in zip(plates, cleans, strict=True)
    ]
    engine = choose_engine("cpu", storage="float32").engine
    try:
        tried = tuple(_try(engine, found, n, plates, cleans, evidence) for n in ARRANGEMENTS)
    finally:
        engine.close()
    best = min(tried, key=lambda t: t.expected)
    usual = next(t for t in tried if t.arrangement == USUAL)
    taken = best if _clearly_less(best.expected, usual.expected) else usual
    return Choice(tried, chosen or taken.arrangement)


def _clearly_less(first: float, second: float) -> bool:
    return first <= MARGIN * second and first <= second - LEAST_GAIN


def _reduced(pictures: Sequence[Array], factor: int) -> list[Array]:
    if factor == 1:
        return [np.asarray(p, np.float32) for p in pictures]
    height, width = pictures[0].shape[1:]
    return [
        resized(np.asarray(p, np.float32), max(1, height // factor), max(1, width // factor))
        for p in pictures
    ]


def _reduced_findings(found: Findings, factor: int, width: int) -> Findings:
    """Return the findings as they are of pictures `factor` times smaller.

    Demosaiced noise hangs together over about two pixels, so averaging takes less of it.
    """
    if factor == 1:
        return found
    averaged = min(2.5 / factor**2, 1.0)
    r, g, b = found.noise.gain
    x, y, z = found.noise.offset
    noise = Noise(
        gain=(r * averaged, g * averaged, b * averaged),
        offset=(x * averaged, y * averaged, z * averaged),
        correlation=found.noise.correlation,
    )
    return replace(found, noise=noise, width=width, garbage=(), chroma="4:4:4")


def _try(
    engine: Engine,
    found: Findings,
    arrangement: str,
    plates: Sequence[Array],
    cleans: Sequence[Array],
    evidence: Sequence[Evidence],
) -> Tried:
    recipe = arrange(found, clean_plate="judged", arrangement=arrangement)
    frame = min(found.drift)
    mattes = []
    for plate, clean in zip(plates, cleans, strict=True):
        inputs = gather(engine, recipe, frame, plate=plate, clean=clean)
        plan = build_plan(recipe, frame, inputs.planes)
        mattes.append(np.asarray(engine.planes(plan, inputs, ("alpha",))["alpha"]))
        engine.forget(inputs.key)
    proof = prove(mattes[0], evidence[0])
    if len(mattes) > 1:
        proof = replace(proof, restless=restlessness(mattes[0], mattes[1], *evidence[:2]))
    return Tried(arrangement, proof, expected_error(proof))

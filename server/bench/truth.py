"""The ground-truth table: every method on the same generated shots, against exact truth."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from demo_media import TruthShot, truth_shot
from demo_media import baselines as base
from kernels.engine import Engine
from kernels.inputs import gather
from kernels.metrics import foreground_delta_e, psnr, score_matte
from kernels.plan import Context, build_plan
from kernels.recipe import Noise
from kernels.reference.assemble import over, straight, subtract
from kernels.reference.despill import despill_pass
from server.keying.rule import rule_recipe
from server.words import counted

Array = NDArray[Any]
TUNING_SEEDS = tuple(range(10))
REPORT_SEEDS = tuple(range(100, 110))
REPORT_SIZE = (960, 540)
"""The promises are made for these seeds at this size, together."""
OURS, OURS_MULTIPLY = "verdigris", "verdigris, multiply"
SUGGESTED = "suggest, the plate alone"
FLAT, CLEAN_PLATE = "flat colour difference", "clean-plate colour difference"
CLOSED_FORM, LEAST_SQUARES = "closed form, oracle trimap", "least squares, true F and c"
SETTLE = 0.05

COLUMNS = {
    "sad": ("SAD k", 2, 1.0),
    "mse": ("MSE e-3", 2, 1e3),
    "gradient": ("grad k", 2, 1.0),
    "connectivity": ("conn k", 2, 1.0),
    "edge_rms": ("edge rms", 4, 1.0),
    "bound": ("bound", 4, 1.0),
    "core": ("core", 4, 1.0),
    "screen": ("screen", 5, 1.0),
    "psnr": ("PSNR dB", 2, 1.0),
    "delta_e": ("dE00", 2, 1.0),
}
"""Figure: its heading, decimals, factor to the printed unit."""


@dataclass(frozen=True)
class Result:
    """What a method made of a shot: alpha (h, w); straight colour and composite (3, h, w)."""

    alpha: Array
    straight: Array
    composite: Array


Method = Callable[[TruthShot], Result]


def with_matte(shot: TruthShot, alpha: Array) -> Result:
    """A baseline's matte with the same colour side as ours, so that only mattes are compared.

    The same despiller, the screen's share subtracted, the shot's background behind.
    """
    recipe = rule_recipe(shot.plate, shot.clean_plate, _primary(shot))
    context = Context(shot.primary, recipe.screen.colour, Noise())  # type: ignore[arg-type]
    step = recipe.despill[0]
    plate = despill_pass(shot.plate, step, context)
    clean = despill_pass(shot.clean_plate, step, context)
    foreground = subtract(alpha, plate, clean, SETTLE)
    return Result(
        alpha, straight(foreground, alpha, plate), over(foreground, alpha, shot.background)
    )


def _primary(shot: TruthShot) -> Literal["green", "blue"]:
    return "blue" if shot.primary == "blue" else "green"


def key_by_rule(
    engine: Engine, shot: TruthShot, method: Literal["subtract", "multiply"] = "subtract"
) -> Result:
    """The product: the rule's recipe, planned and run by `engine`, true clean plate given."""
    recipe = rule_recipe(shot.plate, shot.clean_plate, _primary(shot))
    recipe.assemble.edge_colour.method = method
    recipe.assemble.edge_colour.settle = SETTLE
    inputs = gather(
        engine, recipe, 1, plate=shot.plate, clean=shot.clean_plate, background=shot.background
    )
    plan = build_plan(recipe, 1, inputs.planes)
    made = engine.planes(plan, inputs, ("alpha", "straight", "composite"))
    engine.forget(inputs.key)
    return Result(made["alpha"], made["straight"], made["composite"])


def key_by_suggest(engine: Engine, shot: TruthShot) -> Result:
    """The product with nothing but the plate: the suggested recipe on the clean plate it built."""
    from server.keying.suggest import from_picture

    found = from_picture(shot.plate)
    if found is None:
        return with_matte(shot, np.ones_like(shot.alpha))
    recipe, clean = found
    recipe.assemble.background.kind = "picture"
    inputs = gather(engine, recipe, 1, plate=shot.plate, clean=clean, background=shot.background)
    made = engine.planes(
        build_plan(recipe, 1, inputs.planes), inputs, ("alpha", "straight", "composite")
    )
    engine.forget(inputs.key)
    return Result(made["alpha"], made["straight"], made["composite"])


def standard_methods(engine: Engine, *, closed_form: bool = True) -> dict[str, Method]:
    """The four baselines, then ours with both edge colours, by the names of the table's rows."""
    methods: dict[str, Method] = {
        FLAT: lambda shot: with_matte(shot, base.flat_colour_difference(shot)),
        CLEAN_PLATE: lambda shot: with_matte(shot, base.clean_plate_colour_difference(shot)),
    }
    if closed_form:
        methods[CLOSED_FORM] = lambda shot: with_matte(shot, base.closed_form(shot))
    methods[LEAST_SQUARES] = lambda shot: with_matte(shot, base.least_squares(shot))
    methods[OURS] = lambda shot: key_by_rule(engine, shot)
    methods[OURS_MULTIPLY] = lambda shot: key_by_rule(engine, shot, "multiply")
    methods[SUGGESTED] = lambda shot: key_by_suggest(engine, shot)
    return methods


@dataclass(frozen=True)
class Row:
    """One method on one shot."""

    method: str
    seed: int
    shot: str
    figures: dict[str, float]


@dataclass(frozen=True)
class Target:
    """A promise about ours against a baseline, and what was measured."""

    text: str
    value: float
    limit: float
    at_least: bool = False

    @property
    def met(self) -> bool:
        return self.value >= self.limit if self.at_least else self.value <= self.limit


@dataclass
class Table:
    """All rows; means over shots, text, JSON."""

    width: int
    height: int
    rows: list[Row] = field(default_factory=list)

    @property
    def methods(self) -> list[str]:
        return list(dict.fromkeys(row.method for row in self.rows))

    def column(self, method: str, figure: str) -> list[float]:
        """A figure of one method on every shot, in the order of the seeds."""
        return [row.figures[figure] for row in self.rows if row.method == method]

    def mean(self, method: str, figure: str) -> float:
        """Mean over the shots."""
        return float(np.mean(self.column(method, figure)))

    def text(self, *, per_shot: bool = False) -> str:
        """The table as people read it; `per_shot` adds a block for every shot."""
        shots = list(dict.fromkeys(row.shot for row in self.rows))
        count = counted(len(shots), "shot")
        head = f"Means over {count} of {self.width}x{self.height}"
        lines = [head, *_block((m, {f: self.mean(m, f) for f in COLUMNS}) for m in self.methods)]
        if per_shot:
            for shot in shots:
                rows = [(row.method, row.figures) for row in self.rows if row.shot == shot]
                lines += ["", shot, *_block(rows)]
        return "\n".join(lines)

    @property
    def promised(self) -> bool:
        """Whether the table is of the shots that the promises are made for."""
        seeds = {row.seed for row in self.rows}
        return (self.width, self.height) == REPORT_SIZE and seeds == set(REPORT_SEEDS)

    def targets(self) -> list[Target]:
        """The promises of the ground-truth benchmark, when both sides are in the table."""
        if not {OURS, OURS_MULTIPLY, CLEAN_PLATE} <= set(self.methods):
            return []
        gain = np.subtract(self.column(OURS, "psnr"), self.column(OURS_MULTIPLY, "psnr"))
        rms = self.mean(OURS, "edge_rms") / self.mean(CLEAN_PLATE, "edge_rms")
        sad = self.mean(OURS, "sad") / self.mean(CLEAN_PLATE, "sad")
        return [
            *self._suggested(),
            Target("mean SAD over the clean-plate baseline's", sad, 0.75),
            Target("mean screen error", self.mean(OURS, "screen"), 0.001),
            Target("mean core error", self.mean(OURS, "core"), 0.008),
            Target("mean edge rms over the clean-plate baseline's", rms, 1.1),
            Target("subtract over multiply, mean dB", float(gain.mean()), 1.0, at_least=True),
            Target("subtract over multiply, worst dB", float(gain.min()), -0.3, at_least=True),
        ]

    def _suggested(self) -> list[Target]:
        """The promises about the key that is suggested from the plate alone."""
        if SUGGESTED not in self.methods:
            return []
        rms = self.mean(SUGGESTED, "edge_rms") / self.mean(CLEAN_PLATE, "edge_rms")
        sad = self.mean(SUGGESTED, "sad") / self.mean(CLEAN_PLATE, "sad")
        return [
            Target("suggest: mean SAD over the clean-plate baseline's", sad, 0.65),
            Target("suggest: mean screen error", self.mean(SUGGESTED, "screen"), 0.001),
            Target("suggest: mean core error", self.mean(SUGGESTED, "core"), 0.006),
            Target("suggest: mean edge rms over the clean-plate baseline's", rms, 1.0),
        ]

    def as_json(self) -> str:
        """Everything, as JSON text; an infinite PSNR becomes null."""
        data = {
            "width": self.width,
            "height": self.height,
            "means": {m: {f: finite(self.mean(m, f)) for f in COLUMNS} for m in self.methods},
            "shots": [
                {
                    "method": row.method,
                    "seed": row.seed,
                    "shot": row.shot,
                    **{name: finite(value) for name, value in row.figures.items()},
                }
                for row in self.rows
            ],
            "promised": self.promised,
            "targets": [
                {"text": t.text, "value": finite(t.value), "limit": t.limit, "met": t.met}
                for t in self.targets()
            ],
        }
        return json.dumps(data, indent=1) + "\n"


def finite(value: float) -> float | None:
    """Return a value as JSON has it: None where it is infinite or not a number."""
    return value if math.isfinite(value) else None


def _block(rows: Iterable[tuple[str, Mapping[str, float]]]) -> list[str]:
    lines = [f"{'method':32}" + "".join(f"{title:>10}" for title, _, _ in COLUMNS.values())]
    for method, figures in rows:
        cells = [
            f"{figures[name] * factor:10.{places}f}"
            for name, (_, places, factor) in COLUMNS.items()
        ]
        lines.append(f"{method:32}" + "".join(cells))
    return lines


def measure(shot: TruthShot, result: Result) -> dict[str, float]:
    """All figures of one result; PSNR is of linear working-space values, peak 1, not clipped."""
    scores = score_matte(result.alpha, shot.alpha, shot.edge_mask, shot.core_mask, shot.screen_mask)
    return scores.as_dict() | {
        "bound": base.edge_bound(shot),
        "psnr": psnr(result.composite, shot.composite),
        "delta_e": foreground_delta_e(result.straight, shot.foreground_clean, shot.alpha),
    }


def run_truth(
    seeds: Sequence[int],
    methods: Mapping[str, Method],
    *,
    width: int = 960,
    height: int = 540,
    progress: Callable[[int, int], None] | None = None,
) -> Table:
    """Run every method on the truth shot of every seed and measure it."""
    table = Table(width, height)
    total = len(seeds) * len(methods)
    for index, seed in enumerate(seeds):
        shot = truth_shot(seed, width=width, height=height)
        for step, (name, method) in enumerate(methods.items()):
            table.rows.append(Row(name, seed, shot.name, measure(shot, method(shot))))
            if progress is not None:
                progress(index * len(methods) + step + 1, total)
    return table

"""Figures of the families of truth shots: per kind, means, the worst shot, targets."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from server.bench.truth import Target, finite
from server.words import counted

SUGGESTED = "suggest, the plate alone"
FLAT, CLEAN_PLATE = "flat colour difference", "clean-plate colour difference"
CLOSED_FORM, LEAST_SQUARES = "closed form, oracle trimap", "least squares, true F and c"

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
    "delta_e_edge": ("dE edge", 2, 1.0),
    "delta_e_solid": ("dE solid", 2, 1.0),
    "chatter": ("chatter", 4, 1.0),
}
"""Figure: its heading, decimals, factor to the printed unit."""
STRANDS = ("hair", "blond_hair", "motion_blur", "defocus", "rim_hair")
SEE_THROUGH = ("smoke", "steam", "veil", "spray")
COSTUME = ("gloss", "near_hue")


@dataclass(frozen=True)
class FamilyRow:
    """One method on one shot: means over its frames."""

    method: str
    family: str
    kind: str
    shot: str
    primary: str
    subsampled: bool
    figures: dict[str, float]


@dataclass
class FamilyTable:
    """All rows; per kind, means, targets, text, JSON."""

    width: int = 0
    height: int = 0
    frames: int = 0
    rows: list[FamilyRow] = field(default_factory=list)

    @property
    def methods(self) -> list[str]:
        return list(dict.fromkeys(row.method for row in self.rows))

    @property
    def kinds(self) -> list[str]:
        return list(dict.fromkeys(row.kind for row in self.rows))

    def column(self, method: str, figure: str, kinds: Iterable[str] = ()) -> list[float]:
        """A figure of one method on every shot of some kinds (all without any)."""
        wanted = set(kinds)
        return [
            row.figures.get(figure, float("nan"))
            for row in self.rows
            if row.method == method and (not wanted or row.kind in wanted)
        ]

    def mean(self, method: str, figure: str, kinds: Iterable[str] = ()) -> float:
        """Mean over the shots that have the figure; nan where none has."""
        known = [v for v in self.column(method, figure, kinds) if np.isfinite(v)]
        return float(np.mean(known)) if known else float("nan")

    def ratio(self, figure: str, kinds: Iterable[str] = (), other: str = CLEAN_PLATE) -> float:
        """The suggested key's mean over another method's."""
        kinds = tuple(kinds)
        below = self.mean(other, figure, kinds)
        return self.mean(SUGGESTED, figure, kinds) / below if below > 0 else float("nan")

    def pairs(self) -> Iterator[tuple[FamilyRow, FamilyRow]]:
        """The suggested key's row and the clean-plate colour difference's, shot by shot."""
        plain = {row.shot: row for row in self.rows if row.method == CLEAN_PLATE}
        for row in self.rows:
            if row.method == SUGGESTED and row.shot in plain:
                yield row, plain[row.shot]

    def text(self, *, per_shot: bool = False) -> str:
        """The table as people read it: means, per kind, and with `per_shot` every shot."""
        count = counted(len({row.shot for row in self.rows}), "shot")
        frames = counted(self.frames, "frame")
        head = f"Means over {count} of {self.width}x{self.height}, {frames} each"
        lines = [head, *_block((m, {f: self.mean(m, f) for f in COLUMNS}) for m in self.methods)]
        if {SUGGESTED, CLEAN_PLATE} <= set(self.methods):
            lines += ["", *self._kind_lines()]
        if per_shot:
            for shot in dict.fromkeys(row.shot for row in self.rows):
                rows = [(row.method, row.figures) for row in self.rows if row.shot == shot]
                lines += ["", shot, *_block(rows)]
        return "\n".join(lines)

    def _kind_lines(self) -> Iterator[str]:
        """A line a kind: the suggested key beside the clean-plate one, and the worst shot."""
        yield (
            f"{'kind':16}{'SAD k':>8}{'plain':>8}{'ratio':>7}{'MSE r.':>8}{'edge':>8}{'plain':>8}"
            f"{'bound':>8}{'core':>8}{'screen':>9}{'dB':>8}{'dE edge':>9}{'solid':>7}  worst shot"
        )
        for kind in self.kinds:
            one = (kind,)
            gain = self.mean(SUGGESTED, "psnr", one) - self.mean(CLEAN_PLATE, "psnr", one)
            worst, ratio = self._worst(kind)
            yield (
                f"{kind:16}{self.mean(SUGGESTED, 'sad', one):8.2f}"
                f"{self.mean(CLEAN_PLATE, 'sad', one):8.2f}{self.ratio('sad', one):7.2f}"
                f"{self.ratio('mse', one):8.2f}{self.mean(SUGGESTED, 'edge_rms', one):8.4f}"
                f"{self.mean(CLEAN_PLATE, 'edge_rms', one):8.4f}"
                f"{self.mean(SUGGESTED, 'bound', one):8.4f}{self.mean(SUGGESTED, 'core', one):8.4f}"
                f"{self.mean(SUGGESTED, 'screen', one):9.5f}{gain:+8.2f}"
                f"{self.mean(SUGGESTED, 'delta_e_edge', one):9.2f}"
                f"{self.mean(SUGGESTED, 'delta_e_solid', one):7.2f}  {worst} {ratio:.2f}"
            )

    def _worst(self, kind: str) -> tuple[str, float]:
        """The kind's shot with the largest SAD over the clean-plate one's, and that ratio."""
        ratios = {
            ours.shot: _over(ours, plain) for ours, plain in self.pairs() if ours.kind == kind
        }
        return max(ratios.items(), key=lambda item: item[1])

    def targets(self) -> list[Target]:
        """The promises about the suggested key, as far as the table has both sides."""
        if not {SUGGESTED, CLEAN_PLATE} <= set(self.methods) or not self.rows:
            return []
        pairs = list(self.pairs())
        gain = [ours.figures["psnr"] - plain.figures["psnr"] for ours, plain in pairs]
        name, worst = max(
            ((ours.shot, _over(ours, plain)) for ours, plain in pairs), key=lambda item: item[1]
        )
        low = int(np.argmin(gain))
        targets = [
            Target("mean SAD over the clean-plate one's", self.ratio("sad"), 0.30),
            Target("mean MSE over the clean-plate one's", self.ratio("mse"), 0.30),
            Target(f"SAD over it on the worst shot ({name})", worst, 1.0),
            Target("mean edge rms over it", self.ratio("edge_rms"), 0.5),
            Target("mean core error", self.mean(SUGGESTED, "core"), 0.005),
            Target("mean bare screen error", self.mean(SUGGESTED, "screen"), 0.0005),
            Target("composite over it, mean dB", float(np.mean(gain)), 5.0, at_least=True),
            Target(
                f"composite over it, worst dB ({pairs[low][0].shot})", gain[low], 0.0, at_least=True
            ),
            Target("dE of half-covered foreground over it", self.ratio("delta_e_edge"), 0.5),
            *self._kind_targets(),
        ]
        return [target for target in targets if np.isfinite(target.value)]

    def _kind_targets(self) -> Iterator[Target]:
        bounded = [
            row.figures["edge_rms"] / row.figures["bound"]
            for row in self.rows
            if row.method == SUGGESTED
            and row.kind in STRANDS
            and not row.subsampled
            and row.figures["bound"] > 0
        ]
        if bounded:
            text = "hair, blur, rim light: edge rms over its bound, not subsampled"
            yield Target(text, float(np.mean(bounded)), 2.5)
        there = set(self.kinds)
        if there & set(SEE_THROUGH):
            yield Target(
                "smoke, steam, veil, spray: SAD over it", self.ratio("sad", SEE_THROUGH), 0.6
            )
        blue = [
            _over(ours, plain)
            for ours, plain in self.pairs()
            if ours.kind == "hair_420" and ours.primary == "blue"
        ]
        if blue:
            yield Target("blue 4:2:0 hair: SAD over it", float(np.mean(blue)), 0.5)
        if there & set(COSTUME):
            core = self.mean(SUGGESTED, "core", COSTUME)
            yield Target("gloss and near-hue costume: core error", core, 0.02)
        if CLOSED_FORM in self.methods:
            for figure in ("sad", "mse", "gradient"):
                value = self.ratio(figure, other=CLOSED_FORM)
                yield Target(
                    f"mean {COLUMNS[figure][0][:4].strip()} over closed form's", value, 1.0
                )
        if LEAST_SQUARES in self.methods:
            value = self.ratio("chatter", other=LEAST_SQUARES)
            yield Target("chatter over that of least squares with true F and c", value, 1.5)

    def as_json(self) -> str:
        """Everything, as JSON text; what has no value becomes null."""
        shots = [
            {
                "method": row.method,
                "family": row.family,
                "kind": row.kind,
                "shot": row.shot,
                "primary": row.primary,
                "subsampled": row.subsampled,
                **{name: finite(value) for name, value in row.figures.items()},
            }
            for row in self.rows
        ]
        means = {m: {f: finite(self.mean(m, f)) for f in COLUMNS} for m in self.methods}
        targets = [
            {"text": t.text, "value": finite(t.value), "limit": t.limit, "met": t.met}
            for t in self.targets()
        ]
        data = {"width": self.width, "height": self.height, "frames": self.frames}
        return (
            json.dumps(data | {"means": means, "shots": shots, "targets": targets}, indent=1) + "\n"
        )


def _over(ours: FamilyRow, plain: FamilyRow) -> float:
    """SAD over the clean-plate one's on the same shot."""
    return ours.figures["sad"] / max(plain.figures["sad"], 1e-9)


def _block(rows: Iterable[tuple[str, Mapping[str, float]]]) -> Iterator[str]:
    yield f"{'method':32}" + "".join(f"{title:>10}" for title, _, _ in COLUMNS.values())
    for method, figures in rows:
        cells = [
            f"{figures.get(name, float('nan')) * factor:10.{places}f}"
            for name, (_, places, factor) in COLUMNS.items()
        ]
        yield f"{method:32}" + "".join(cells)

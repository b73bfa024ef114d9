"""The same three-extractor key in PyTorch, for comparison in the benchmark; never a dependency."""

from __future__ import annotations

import importlib.util
import statistics
from typing import Any

from kernels.engine import Inputs


def torch_figures(inputs: Inputs, ours: dict[str, Any]) -> dict[str, Any]:
    """Return eager and compiled times and the factors by which our launch is faster."""
    if importlib.util.find_spec("torch") is None:
        return {"torch": "not compared with: it is not installed; pip install torch adds it"}
    import torch

    planes = {
        name: torch.as_tensor(inputs.planes[name].array, device="cuda")[..., : inputs.width]
        for name in ("plate", "clean", "background")
    }
    spill = torch.linspace(0.3, 1.0, 361, device="cuda")
    saturation = torch.linspace(0.8, 1.2, 361, device="cuda")
    args = (*(plane.contiguous() for plane in planes.values()), spill, saturation)
    figures: dict[str, Any] = {"torch": torch.__version__}
    for name, function in (("eager", key), ("compiled", torch.compile(key))):
        ms = _milliseconds(torch, function, args)
        figures[f"torch_{name}_ms"] = ms
        figures[f"torch_{name}_factor"] = ms / ours["pointwise_3_special_ms"]
    return figures


def _milliseconds(torch: Any, function: Any, args: tuple[Any, ...]) -> float:
    for _ in range(5):
        function(*args)
    times = []
    for _ in range(30):
        start, end = (torch.cuda.Event(enable_timing=True) for _ in range(2))
        start.record()
        function(*args)
        end.record()
        end.synchronize()
        times.append(start.elapsed_time(end))
    return float(statistics.median(times))


def _hue(x: Any) -> Any:
    import torch

    r, g, b = x
    largest = torch.maximum(torch.maximum(r, g), b)
    spread = largest - torch.minimum(torch.minimum(r, g), b)
    safe = torch.where(spread > 0, spread, 1.0)
    sector = torch.where(
        largest == r,
        (g - b) / safe,
        torch.where(largest == g, 2 + (b - r) / safe, 4 + (r - g) / safe),
    )
    hue = torch.where(spread > 0, 60 * sector, 0.0)
    return torch.where(hue < 0, hue + 360, hue).clamp(0, 359.99), largest, spread


def _sampled(table: Any, hue: Any) -> Any:
    left = hue.floor()
    index = left.long()
    low = table[index]
    return low + (table[index + 1] - low) * (hue - left)


def _levels(m: Any) -> Any:
    return ((m - 0.02) / 0.95).clamp(0, 1)


def key(plate: Any, clean: Any, background: Any, spill: Any, saturation: Any) -> tuple[Any, Any]:
    """Colour difference, hue band, value band, combined; spill by hue, saturation by hue; over."""
    import torch

    p, c, back = plate.float(), clean.float(), background.float()
    e_c = c[1] - torch.maximum(c[0], c[2])
    e_p = p[1] - torch.maximum(p[0], p[2])
    first = torch.where(e_c <= 1e-6, 1.0, (1 - e_p / e_c).clamp(0, 1))
    alpha = _levels(first)
    hue, largest, spread = _hue(p)
    away = torch.minimum(hue, 360 - hue)
    sat = spread / largest.clamp(min=1e-6)
    second = (1 - ((away - 30) / 20).clamp(0, 1)) * ((sat - 0.05) / 0.05).clamp(0, 1)
    combined = 1 - (1 - alpha) * (1 - _levels(second))
    alpha = 0.5 * alpha + 0.5 * combined
    luma = 0.2722287 * p[0] + 0.6740818 * p[1] + 0.0536895 * p[2]
    alpha = (alpha - _levels(((luma - 0.9) / 0.5).clamp(0, 1))).clamp(min=0)
    alpha = _levels(alpha)

    def neutral(x: Any) -> Any:
        h, _, _ = _hue(x)
        s = (x[1] - (0.5 * (x[0] + x[2])).clamp(min=0)).clamp(min=0)
        s = s * _sampled(spill, h).clamp(max=1)
        grey = s * 0.6740818
        out = torch.stack([x[0] + grey, x[1] - s + grey, x[2] + grey])
        h, _, _ = _hue(out)
        y = 0.2722287 * out[0] + 0.6740818 * out[1] + 0.0536895 * out[2]
        f = _sampled(saturation, h)
        return torch.maximum(y + f * (out - y), torch.minimum(out, torch.zeros_like(out)))

    n, nc = neutral(p), neutral(c)
    w = (alpha / 0.05).clamp(0, 1)
    taken = torch.maximum(n - (1 - alpha) * nc, n.clamp(max=0))
    cut = w * taken + (1 - w) * alpha * n
    composite = cut + (1 - alpha) * back
    return alpha.half(), composite.half()

"""Reads what version 1 of the recipe wrote: its words and parameters become those of version 2.

The upgraded recipe keys the same. Where a value was keyed, each key is converted; where that would
not give the same value between the keys (two weights that moved apart), there is a key a frame.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

from kernels.parameters import Keys
from kernels.recipe import level_and_balance

Data = dict[str, Any]
MOST_KEYS = 5_000
"""A key a frame up to this many; longer moves keep their own frames' keys only."""

_TOP = {"backing": "screen", "holdout": "keep_solid", "neutralise": "despill"}
_EXTRACTOR = {"join": "combine", "reads": "key_from"}
_HUE_BAND = {"centre_deg": "hue_deg", "width_deg": "spread_deg", "softness_deg": "fade_deg"}
_LEVELS = {"black": "clear_below", "white": "solid_above"}
_ASSEMBLE = {"backdrop": "background", "carry": "screen_light"}
_BACKGROUND = {"turn_deg": "rotate_deg"}


def upgrade(data: Data) -> Data:
    """Return version 1's plain data in the words of version 2 (the version itself is left).

    What is no part of a version 1 recipe is left for the validation to name.
    """
    new = _renamed(data, _TOP)
    _each(new, "extractors", _extractor)
    _each(new, "despill", _despill)
    _inside(new, "refine", _refine)
    _inside(new, "assemble", _assemble)
    notes = new.get("notes")
    if isinstance(notes, dict):
        new["notes"] = {_path(path): why for path, why in notes.items()}
    return new


def _renamed(data: Data, names: dict[str, str]) -> Data:
    return {names.get(key, key): value for key, value in data.items()}


def _inside(data: Data, key: str, change: Callable[[Data], Data]) -> None:
    if isinstance(data.get(key), dict):
        data[key] = change(data[key])


def _each(data: Data, key: str, change: Callable[[Data], Data]) -> None:
    if isinstance(data.get(key), list):
        data[key] = [change(item) if isinstance(item, dict) else item for item in data[key]]


def _extractor(old: Data) -> Data:
    new = _renamed(old, _EXTRACTOR)
    if new.get("combine") == "screen":
        new["combine"] = "union"
    if new.get("kind") == "hue_band":
        new = _renamed(new, _HUE_BAND)
        if "spread_deg" in new:
            new["spread_deg"] = _keyed(new["spread_deg"], lambda width: width / 2)
    if new.get("kind") == "colour_difference":
        _mix(new)
    _inside(new, "refine", _refine)
    return new


def _refine(old: Data) -> Data:
    new = dict(old)
    levels = new.get("levels")
    if isinstance(levels, dict):
        levels = _renamed(levels, _LEVELS)
        if "keep_soft_px" in levels:
            new["protect_edges"] = {"distance_px": levels.pop("keep_soft_px")}
        new["levels"] = levels
    return new


def _despill(old: Data) -> Data:
    return {**old, "fill": "background"} if old.get("fill") == "backdrop" else dict(old)


def _assemble(old: Data) -> Data:
    new = _renamed(old, _ASSEMBLE)
    _inside(new, "background", lambda background: _renamed(background, _BACKGROUND))
    return new


def _keyed(value: Any, change: Callable[[float], float]) -> Any:
    """Return a number, or each key's value, changed; anything else as it is."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return change(value)
    if isinstance(value, dict) and isinstance(value.get("keys"), list):
        keys = [
            {**key, "value": _keyed(key["value"], change)}
            if isinstance(key, dict) and "value" in key
            else key
            for key in value["keys"]
        ]
        return {**value, "keys": keys}
    return value


# ---------------------------------------------------------------- two weights to level and balance


def _mix(new: Data) -> None:
    """Put a comparison level and a balance in place of two weights."""
    if new.get("excess") == "weights":
        new["excess"] = "balance"
    if "weight_first" not in new and "weight_second" not in new:
        return
    try:
        first, second = (_number(new.get(name, 0.5)) for name in ("weight_first", "weight_second"))
    except ValueError:
        return
    new.pop("weight_first", None)
    new.pop("weight_second", None)
    if isinstance(first, float) and isinstance(second, float):
        new["comparison_level"], new["red_blue_balance"] = level_and_balance(first, second)
        return
    frames, between = _frames(first, second)
    made = [level_and_balance(_at(first, frame), _at(second, frame)) for frame in frames]
    for n, name in enumerate(("comparison_level", "red_blue_balance")):
        keys = [{"frame": f, "value": pair[n]} for f, pair in zip(frames, made, strict=True)]
        new[name] = {"keys": keys, "between": between}


def _number(value: Any) -> float | Keys:
    """Return a weight of a file. Raises ValueError where it is neither a number nor keys."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    return Keys.model_validate_json(json.dumps(value))


def _at(weight: float | Keys, frame: int) -> float:
    return weight if isinstance(weight, float) else weight.at(frame)


def _frames(*weights: float | Keys) -> tuple[list[int], str]:
    """Return the frames to key, and how values between them are found.

    The weights' own frames where all are held, or where their ratio never changes; else all.
    """
    keyed = [weight for weight in weights if isinstance(weight, Keys)]
    frames = sorted({key.frame for keys in keyed for key in keys.keys})
    ways = {keys.between for keys in keyed}
    if ways == {"hold"}:
        return frames, "hold"
    together = len(keyed) == 2 and [k.frame for k in keyed[0].keys] == frames
    together = together and [k.frame for k in keyed[-1].keys] == frames and len(ways) == 1
    balances = [level_and_balance(_at(weights[0], f), _at(weights[1], f))[1] for f in frames]
    steady = together and max(balances) - min(balances) < 1e-12
    if steady or frames[-1] - frames[0] >= MOST_KEYS:
        return frames, ways.pop()
    return list(range(frames[0], frames[-1] + 1)), "linear"


# ---------------------------------------------------------------- the notes' paths

_LEAVES = {
    **_EXTRACTOR,
    **_HUE_BAND,
    **_BACKGROUND,
    "keep_soft_px": "distance_px",
    "weight_first": "comparison_level",
    "weight_second": "red_blue_balance",
}


def _path(path: str) -> str:
    """Return the path of a note in the words of version 2. Ids stay, whatever they are called."""
    parts = re.split(r"([./])", path)
    names = parts[::2]
    new = [_TOP.get(names[0], names[0]), *names[1:]]
    listed = new[0] in ("extractors", "despill")
    for n, name in enumerate(names[1:], start=1):
        if listed and n == 1:
            continue
        if names[0] == "assemble" and n == 1:
            new[n] = _ASSEMBLE.get(name, name)
        elif names[n - 1] == "levels":
            new[n] = _LEVELS.get(name, _LEAVES.get(name, name))
            if name == "keep_soft_px":
                new[n - 1] = "protect_edges"
        elif n == len(names) - 1:
            new[n] = _LEAVES.get(name, name)
    return "".join(part for pair in zip(new, [*parts[1::2], ""], strict=True) for part in pair)

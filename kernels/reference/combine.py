"""Joining mattes to the cumulative matte. Pointwise; mattes are ``(h, w)`` in 0..1."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.plan import num
from kernels.recipe import ExtractorBase
from kernels.reference import colour

Array = NDArray[Any]
Combined = tuple[Array, ExtractorBase] | tuple[Array, ExtractorBase, Array | None]


def mix(a: Array, b: Array, share: float | Array) -> Array:
    """(1 − share)·a + share·b: exactly a at 0 and b at 1."""
    return colour.as_float((1 - share) * a + share * b)


def combine(
    acc: Array | None,
    matte: Array,
    extractor: ExtractorBase,
    mask: Array | None = None,
    weight: float | Array = 1.0,
) -> Array:
    """Join one finished matte on to those before it: mix(acc, combine(acc, α), strength).

    acc None: strength·α, whatever the combine. max, min, screen a + b − ab, multiply ab, subtract
    max(0, a − b), difference |a − b|. average: (weight·acc + strength·α)/(weight + strength), see
    `combine_all`. mask: the extractor's shapes, by which `matte` is already multiplied; outside
    them min, multiply and average leave acc alone too. (h, w), 0..1 stays in 0..1.
    Common practice, no source.
    """
    strength = num(extractor.strength)
    if acc is None:
        return colour.as_float(strength * matte)
    how = extractor.combined_by
    if mask is not None and how in ("min", "multiply"):
        matte = matte + (1 - mask.astype(matte.dtype, copy=False))
    match how:
        case "max":
            combined = np.maximum(acc, matte)
        case "min":
            combined = np.minimum(acc, matte)
        case "union":
            combined = 1 - (1 - acc) * (1 - matte)
        case "multiply":
            combined = acc * matte
        case "subtract":
            combined = np.maximum(acc - matte, 0)
        case "difference":
            combined = np.abs(acc - matte)
        case "average":
            total = weight * acc + strength * matte
            return colour.as_float(total / _grown(weight, strength, mask, acc.dtype))
    return mix(acc, combined, strength)


def _grown(weight: float | Array, strength: float, mask: Array | None, dtype: Any) -> Any:
    return weight + strength * (1.0 if mask is None else mask.astype(dtype, copy=False))


def combine_all(
    mattes: Sequence[Combined], shape: tuple[int, int] = (1, 1), dtype: Any = np.float32
) -> Array:
    """The cumulative matte of (finished matte, extractor[, mask]) in list order.

    Extractors that are off are left out; with none left alpha is 1 in an array of `shape`.
    Consecutive `average` combines make one weighted mean: what was there before has weight 1, each
    member its strength, so their order doesn't matter and strength 0 changes nothing.
    """
    acc: Array | None = None
    weight: Any = 1.0
    for matte, extractor, *rest in mattes:
        if not extractor.on:
            continue
        mask = rest[0] if rest else None
        averaging = acc is not None and extractor.combined_by == "average"
        if not averaging:
            weight = 1.0
        acc = combine(acc, matte, extractor, mask, weight)
        if averaging:
            weight = _grown(weight, num(extractor.strength), mask, acc.dtype)
    return np.ones(shape, dtype=dtype) if acc is None else acc

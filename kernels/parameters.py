"""How a parameter is declared: once, with unit, range, step, default and help.

Validation, both engines, the documentation and the page's controls read the same declaration.
A number may be a plain value or `Keys`, a value per frame, because light drifts during a take.
"""

from __future__ import annotations

from bisect import bisect_right
from functools import lru_cache
from typing import Annotated, Any, Literal, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, Field, model_validator

Finite = Annotated[float, Field(allow_inf_nan=False)]


class Model(BaseModel):
    """Base of every part of a recipe: unknown keys are refused, types are strict."""

    model_config = ConfigDict(extra="forbid", strict=True, validate_assignment=True)


class Key(Model):
    """One value of a parameter at one frame."""

    frame: Annotated[int, Field(description="frame number")]
    value: Annotated[Finite, Field(description="value at that frame")]


class Keys(Model):
    """A value that changes over the shot: held, straight or smooth between its keys."""

    keys: Annotated[list[Key], Field(min_length=1, description="values, in frame order")]
    between: Annotated[
        Literal["hold", "linear", "smooth"],
        Field(description="how values between two keys are found"),
    ] = "linear"

    @model_validator(mode="after")
    def _ordered(self) -> Keys:
        frames = [key.frame for key in self.keys]
        if frames != sorted(set(frames)):
            raise ValueError("keys must stand in frame order, one a frame")
        return self

    def at(self, frame: int) -> float:
        """Return the value at `frame`; before the first and after the last key it is held."""
        frames = [key.frame for key in self.keys]
        after = bisect_right(frames, frame)
        if after == 0:
            return self.keys[0].value
        left = self.keys[after - 1]
        if after == len(self.keys) or self.between == "hold":
            return left.value
        right = self.keys[after]
        t = (frame - left.frame) / (right.frame - left.frame)
        if self.between == "smooth":
            t = t * t * (3.0 - 2.0 * t)
        return left.value + (right.value - left.value) * t


Number = Finite | Keys
"""A keyable parameter: a number, or keys over frames. A recipe resolved at a frame has numbers."""

RGB = tuple[Finite, Finite, Finite]


def number(
    default: float | None,
    help: str,
    *,
    low: float | None = None,
    high: float | None = None,
    drag: tuple[float, float] | None = None,
    step: float = 0.01,
    unit: str = "",
) -> Any:
    """Declare a keyable number.

    `low` and `high` are the hard range that validation enforces (on every key); `drag` is the
    range a slider covers (the hard range when not given); a typed number may go beyond it.
    """
    extra: dict[str, Any] = {"unit": unit, "step": step, "keyable": True}
    if drag is not None:
        extra["drag"] = list(drag)
    elif low is not None and high is not None:
        extra["drag"] = [low, high]
    if low is not None:
        extra["low"] = low
    if high is not None:
        extra["high"] = high
    return Field(default=default, description=help, json_schema_extra=extra)


def choice(default: Any, help: str) -> Any:
    """Declare a choice, a switch or a name."""
    return Field(default=default, description=help)


M = TypeVar("M", bound=BaseModel)


_PLAIN = frozenset((float, int, str, bool, tuple, type(None)))


@lru_cache(maxsize=256)
def _hard_ranges(kind: type[BaseModel]) -> tuple[tuple[str, Any, Any], ...]:
    """Return the fields of a kind of model that have a hard range or can hold models that do.

    With the range's ends, None where it is open.
    """
    ranges = []
    for name, field in kind.model_fields.items():
        extra = field.json_schema_extra
        known = extra if isinstance(extra, dict) else {}
        ends = known.get("low"), known.get("high")
        if ends != (None, None) or _holds_models(field.annotation):
            ranges.append((name, *ends))
    return tuple(ranges)


def check_ranges(model: BaseModel, where: str = "") -> None:
    """Raise ValueError naming the first number of `model` outside its declared hard range.

    Every change of a recipe goes through it, so it looks up each kind of model once.
    """
    values = model.__dict__
    for name, low, high in _hard_ranges(type(model)):
        value = values[name]
        ranged = low is not None or high is not None
        if type(value) in _PLAIN and type(value) is not tuple:
            if ranged and value is not None:
                _check(f"{where}{name}", float(value), low, high)
        elif isinstance(value, Keys):
            if ranged:
                for key in value.keys:
                    _check(f"{where}{name}", float(key.value), low, high)
        elif isinstance(value, list | tuple):
            for i, item in enumerate(value):
                if isinstance(item, BaseModel):
                    check_ranges(item, f"{where}{name}[{i}].")
        elif isinstance(value, BaseModel):
            check_ranges(value, f"{where}{name}.")


def _check(path: str, x: float, low: Any, high: Any) -> None:
    if low is not None and x < low:
        raise ValueError(f"{path} is {x:g}, it must be at least {low:g}")
    if high is not None and x > high:
        raise ValueError(f"{path} is {x:g}, it must be at most {high:g}")


@lru_cache(maxsize=256)
def _may_change(kind: type[BaseModel]) -> tuple[str, ...]:
    """Return the fields of a kind of model that can hold `Keys`, or models that can."""
    return tuple(
        name for name, field in kind.model_fields.items() if _holds_models(field.annotation)
    )


def _holds_models(annotation: Any) -> bool:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return True
    return any(_holds_models(part) for part in get_args(annotation))


def resolve(model: M, frame: int) -> M:
    """Return `model` with every `Keys` being its number at `frame`: a copy where there are any.

    Every picture needs one, so it goes round pydantic, and looks only at fields that can hold keys.
    """
    found: dict[str, Any] = {}
    held = model.__dict__
    for name in _may_change(type(model)):
        value = held[name]
        if type(value) not in _PLAIN:
            resolved = _resolved(value, frame)
            if resolved is not value:
                found[name] = resolved
    return model.model_copy(update=found) if found else model


def _resolved(value: Any, frame: int) -> Any:
    if isinstance(value, Keys):
        return value.at(frame)
    if isinstance(value, BaseModel):
        return resolve(value, frame)
    if isinstance(value, list):
        items = [_resolved(item, frame) for item in value]
        same = all(a is b for a, b in zip(items, value, strict=True))
        return value if same else items
    return value

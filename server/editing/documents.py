"""The recipe as plain data: paths, operations on them, and what differs between two documents."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Annotated, Any, get_args

from pydantic import BaseModel, TypeAdapter, ValidationError
from pydantic_core import to_json

from kernels.parameters import check_ranges
from kernels.recipe import VERSION, Recipe
from kernels.recipe_file import describe
from server.wire.messages import InsertOp, MoveOp, Op, RemoveOp, SetOp

ORDER = "#place"
"""stands behind an item's path for its place in the list"""

Parts = tuple[str, ...]
Document = dict[str, Any]


class WriteError(ValueError):
    """An operation cannot be carried out; the text is one sentence for the sender."""


def parts_of(path: str) -> Parts:
    """Return the parts of a path; the empty path is the whole recipe."""
    parts = tuple(path.split("/")) if path else ()
    if any(not part for part in parts):
        raise WriteError(f"'{path[:80]}' is not a path: a part is empty")
    return parts


def touched(op: Op) -> Parts:
    """Return the path that an operation changes, for finding conflicts."""
    parts = tuple(op.path.split("/")) if op.path else ()
    if isinstance(op, InsertOp):
        return (*parts, str(op.item.get("id", "#new"))[:64])
    if isinstance(op, MoveOp):
        return (*parts, ORDER)
    return parts


def look_up(document: Any, path: Parts) -> Any:
    """Return the value at a path; WriteError when nothing is there."""
    for part in path:
        document = document[_index(document, part)]
    return document


def _index(container: Any, part: str) -> Any:
    if isinstance(container, dict):
        if part in container:
            return part
    elif isinstance(container, list):
        for i, item in enumerate(container):
            if isinstance(item, dict) and item.get("id") == part:
                return i
    raise WriteError(f"the recipe has no '{part[:60]}' at this place")


def _changed(container: Any, path: Parts, change: Callable[[Any], Any]) -> Any:
    """Return a copy of `container` in which the value at `path` is changed; the rest is shared."""
    if not path:
        return change(container)
    index = _index(container, path[0])
    copy = container.copy()
    copy[index] = _changed(container[index], path[1:], change)
    return copy


def apply(document: Document, op: Op) -> Document:
    """Return the document after one operation; the given one stays as it is."""
    path = parts_of(op.path)
    if isinstance(op, SetOp):
        result = _changed(document, path, lambda _: op.value)
    elif isinstance(op, InsertOp):
        result = _changed(document, path, lambda items: _inserted(items, op.item, op.before))
    elif isinstance(op, RemoveOp):
        result = _changed(document, path[:-1], lambda items: _removed(items, path))
    else:
        result = _changed(document, path[:-1], lambda items: _moved(items, path, op.before))
    if not isinstance(result, dict):
        raise WriteError("a recipe is an object")
    return result


def _list(items: Any) -> list[Any]:
    if not isinstance(items, list):
        raise WriteError("only items of a list can be inserted, removed or moved")
    return items


def _inserted(items: Any, item: dict[str, Any], before: str | None) -> list[Any]:
    items = _list(items)
    place = len(items) if before is None else _index(items, before)
    return [*items[:place], item, *items[place:]]


def _removed(items: Any, path: Parts) -> list[Any]:
    items = _list(items)
    place = _index(items, path[-1])
    return [*items[:place], *items[place + 1 :]]


def _moved(items: Any, path: Parts, before: str | None) -> list[Any]:
    items = _list(items)
    item = items[_index(items, path[-1])]
    rest = _removed(items, path)
    return _inserted(rest, item, None if before == item["id"] else before)


def validated(document: Document) -> Recipe:
    """Return the recipe that plain data describes; WriteError in one sentence if it is none."""
    try:
        recipe = Recipe.model_validate_json(to_json(document, inf_nan_mode="constants"))
    except ValidationError as error:
        raise WriteError(describe(error)) from error
    except (ValueError, RecursionError) as error:
        raise WriteError("the value is not plain JSON data with finite numbers") from error
    if recipe.version != VERSION:
        raise WriteError(f"recipes worked on are of version {VERSION}")
    return recipe


def changed(recipe: Recipe, before: Document, after: Document) -> tuple[Recipe, Document]:
    """Return the recipe that `after` describes, and that as plain data; WriteError if it is none.

    recipe: the one `before` describes. `after` shares with `before` what is the same: only the rest
    is looked at, as a drag changes one value sixty times a second.
    """
    try:
        parts = _changed_parts(recipe, before, after)
    except (ValueError, RecursionError):
        parts = None  # the whole is looked at, for the sentence that says what is wrong with it
    if parts is None:
        whole = validated(after)
        return whole, whole.dump()
    if not parts:
        return recipe, after
    plain = {
        name: _plain(value, getattr(recipe, name), before[name]) for name, value in parts.items()
    }
    return recipe.model_copy(update=parts), {**after, **plain}


def _changed_parts(recipe: Recipe, before: Document, after: Document) -> dict[str, Any] | None:
    """Return the recipe's fields that differ, checked; None where that takes the whole recipe."""
    if before.keys() != after.keys() or before["version"] != after["version"]:
        return None
    parts: dict[str, Any] = {}
    for name, value in after.items():
        if value is before[name]:
            continue
        if name not in ("extractors", "despill"):
            parts[name] = _checked(name, value)
        elif not isinstance(value, list) or len(value) != len(before[name]):
            return None
        else:
            parts[name] = [
                old if item is was else _checked(f"{name}[]", item)
                for old, was, item in zip(getattr(recipe, name), before[name], value, strict=True)
            ]
    recipe.model_copy(update=parts).check_names()
    return parts


@lru_cache(maxsize=32)
def _adapter(name: str) -> TypeAdapter[Any]:
    field = Recipe.model_fields[name.removesuffix("[]")]
    kind: Any = field.annotation
    if name.endswith("[]"):
        return TypeAdapter(get_args(kind)[0])
    return TypeAdapter(Annotated[kind, *field.metadata] if field.metadata else kind)


def _checked(name: str, value: Any) -> Any:
    """Return a field of the recipe, or an item of it (`name[]`); ValueError if it is none."""
    part = _adapter(name).validate_json(to_json(value, inf_nan_mode="constants"), strict=True)
    for item in part if isinstance(part, list) else [part]:
        if isinstance(item, BaseModel):
            check_ranges(item)
    return part


def _plain(value: Any, old: Any, before: Any) -> Any:
    """Return a field as plain data; of a list's items that stayed, what there was."""
    if isinstance(value, BaseModel):
        return value.model_dump(mode="json")
    if isinstance(value, list):
        kept = {id(item): was for item, was in zip(old, before, strict=True)}
        return [kept[id(item)] if id(item) in kept else _plain(item, [], []) for item in value]
    return value


def diff(before: Any, after: Any, path: Parts = ()) -> list[tuple[Parts, Any]]:
    """Return the smallest set of paths and values that leads from one document to another."""
    if before == after:
        return []
    if isinstance(before, dict) and isinstance(after, dict) and before.keys() == after.keys():
        return [c for key in after for c in diff(before[key], after[key], (*path, key))]
    if isinstance(before, list) and isinstance(after, list):
        ids = [_id(item) for item in after]
        if None not in ids and ids == [_id(item) for item in before]:
            return [
                c
                for i, b, a in zip(ids, before, after, strict=True)
                for c in diff(b, a, (*path, str(i)))
            ]
    return [(path, after)]


def _id(item: Any) -> str | None:
    return item.get("id") if isinstance(item, dict) else None

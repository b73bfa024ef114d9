"""Recipes as files: reading with clear errors, upgrading old versions, atomic writing, schema."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from kernels.errors import VerdigrisError
from kernels.recipe import FORMAT, VERSION, Recipe

MAX_BYTES = 4 * 1024 * 1024


class RecipeError(VerdigrisError):
    """A recipe cannot be used: one sentence that names the file, the place and the remedy."""


UPGRADES: dict[int, Callable[[dict[str, Any]], dict[str, Any]]] = {}
"""From version n to n + 1: a function on the plain data. Version 1 is the first."""


def upgrade(data: dict[str, Any], where: str) -> dict[str, Any]:
    """Bring plain recipe data to the present version.

    Raises RecipeError for a newer version or a version there is no way from.
    """
    version = data.get("version", VERSION)
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise RecipeError(f"{where}: the version must be a whole number from 1, not {version!r}")
    if version > VERSION:
        raise RecipeError(
            f"{where} was written by a newer Verdigris (recipe version {version}, this one reads "
            f"up to {VERSION}): update Verdigris, or save the recipe from the older one"
        )
    while version < VERSION:
        data = {**UPGRADES[version](data), "version": version + 1}
        version += 1
    return data


def parse_recipe(text: str, where: str = "the recipe") -> Recipe:
    """Return the recipe written in `text` (JSON); `where` names it in errors."""
    try:
        data = json.loads(text, parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as error:
        raise RecipeError(
            f"{where} is not valid JSON ({error}): restore it or start with `verdigris recipe new`"
        ) from error
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise RecipeError(f'{where} is not a recipe: it has no "format": "{FORMAT}"')
    try:
        return Recipe.model_validate_json(json.dumps(upgrade(data, where)))
    except ValidationError as error:
        raise RecipeError(f"{where}: {describe(error)}") from error


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is not a number a recipe may hold")


def describe(error: ValidationError) -> str:
    """Return the first validation error as one sentence with the parameter's path."""
    first = _most_telling(error)
    place = ".".join(part for part in map(str, first["loc"]) if not _is_branch(part))
    message = str(first["msg"]).removeprefix("Value error, ")
    count = error.error_count()
    more = f" (and {count - 1} more)" if count > 1 else ""
    if first["type"] == "extra_forbidden":
        return f"'{place}' is not a parameter: remove it or check its spelling{more}"
    if first["type"] == "value_error" and not place:
        return f"{message}{more}"
    return f"{place}: {message[:1].lower()}{message[1:]}{more}"


def _is_branch(part: str) -> bool:
    return part in ("float", "int", "str", "none") or part.startswith("function-")


def _most_telling(error: ValidationError) -> Any:
    errors = error.errors(include_url=False, include_context=False, include_input=False)
    telling = [e for e in errors if e["type"] not in ("model_type", "none_required")]
    return (telling or errors)[0]


def load_recipe(path: str | Path) -> Recipe:
    """Read a recipe file.

    Raises RecipeError in one sentence when it is missing, unreadable, too large or wrong.
    """
    path = Path(path)
    try:
        if path.stat().st_size > MAX_BYTES:
            raise RecipeError(f"{path} is too large for a recipe ({path.stat().st_size} bytes)")
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise RecipeError(f"{path} is not a text file: give a recipe (.json)") from error
    except OSError as error:
        raise RecipeError(f"cannot read {path}: {error.strerror or error}") from error
    return parse_recipe(text, str(path))


def recipe_text(recipe: Recipe) -> str:
    """Return the recipe as indented JSON, the form that files hold."""
    return json.dumps(recipe.dump(), indent=2, allow_nan=False) + "\n"


def recipe_hash(recipe: Recipe) -> str:
    """Return a short hash of the recipe's content, the same on every machine."""
    canonical = json.dumps(recipe.dump(), sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(canonical.encode()).hexdigest()[:16]


def save_recipe(recipe: Recipe, path: str | Path) -> Path:
    """Write a recipe file atomically: a temporary name in the same folder, then a rename."""
    path = Path(path)
    write_text_atomically(path, recipe_text(recipe))
    return path


def write_text_atomically(path: Path, text: str) -> None:
    """Write `text` so that a crash leaves either the old file or the new one.

    Raises RecipeError in one sentence when the folder is missing, full or read-only.
    """
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".tmp")
    except OSError as error:
        raise RecipeError(f"cannot write {path}: {error.strerror or error}") from error
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.replace(name, path)
    except OSError as error:
        raise RecipeError(f"cannot write {path}: {error.strerror or error}") from error
    finally:
        Path(name).unlink(missing_ok=True)


def recipe_schema() -> dict[str, Any]:
    """Return the recipe's JSON schema, with unit, range, step, default and help of parameters."""
    schema = Recipe.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "Verdigris recipe"
    return schema


def changed_parameters(model: BaseModel, path: str = "") -> dict[str, Any]:
    """Return the values that differ from their defaults, by dotted path (lists by index)."""
    changed: dict[str, Any] = {}
    for name, field in type(model).model_fields.items():
        value = getattr(model, name)
        here = f"{path}{name}"
        if isinstance(value, BaseModel):
            changed |= changed_parameters(value, f"{here}.")
        elif isinstance(value, list) and value and isinstance(value[0], BaseModel):
            for i, item in enumerate(value):
                changed |= changed_parameters(item, f"{here}.{i}.")
        elif value != field.get_default(call_default_factory=False):
            changed[here] = value
    return changed

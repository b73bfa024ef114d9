"""Recipes as files: reading with clear errors, upgrading old versions, atomic writing, schema."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import secrets
import stat
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from kernels import recipe_v1
from kernels.errors import VerdigrisError
from kernels.recipe import FORMAT, VERSION, ExtractorBase, Recipe

MAX_BYTES = 4 * 1024 * 1024
_KINDS = {kind.model_fields["kind"].default for kind in ExtractorBase.__subclasses__()}


class RecipeError(VerdigrisError):
    """A recipe cannot be used: one sentence that names the file, the place and the remedy."""


UPGRADES: dict[int, Callable[[dict[str, Any]], dict[str, Any]]] = {1: recipe_v1.upgrade}
"""From version n to n + 1: a function on the plain data. Version 1 is the first."""


def upgrade(data: dict[str, Any], where: str) -> dict[str, Any]:
    """Bring plain recipe data to the present version.

    Raises RecipeError for a newer version or a version there is no way from.
    """
    version = data.get("version", VERSION)
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise RecipeError(
            f"{where}: the version must be a whole number from 1, not {_short(version)}"
        )
    if version > VERSION:
        raise RecipeError(
            f"{where} was written by a newer Verdigris (recipe version {_short(version)}, this one "
            f"reads up to {VERSION}): update Verdigris, or save the recipe from the older one"
        )
    while version < VERSION:
        data = {**UPGRADES[version](data), "version": version + 1}
        version += 1
    return data


def parse_recipe(text: str, where: str = "the recipe") -> Recipe:
    """Return the recipe written in `text` (JSON); `where` names it in errors."""
    try:
        data = json.loads(text.removeprefix("\ufeff"), parse_constant=_refuse_constant)
        json.dumps(data, ensure_ascii=False).encode()  # Text that is not Unicode ends here.
    except (ValueError, RecursionError) as error:
        raise RecipeError(
            f"{where} is not valid JSON ({_clipped(str(error))}): restore it or start with "
            "`verdigris recipe new`"
        ) from error
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise RecipeError(
            f'{where} is not a recipe, it has no "format": "{FORMAT}": give another file or start '
            "with `verdigris recipe new`"
        )
    try:
        return Recipe.model_validate_json(json.dumps(upgrade(data, where)))
    except ValidationError as error:
        raise RecipeError(f"{where}: {describe(error)}") from error


def _short(value: Any) -> str:
    """A value as a sentence may repeat it: never at length."""
    return _clipped(repr(value), 60)


def _clipped(text: str, most: int = 160) -> str:
    line = " ".join(text.split())
    return line if len(line) <= most else f"{line[: most - 1]}…"


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is not a number a recipe may hold")


def describe(error: ValidationError) -> str:
    """Return the first validation error as one sentence with the parameter's path."""
    first = _most_telling(error)
    place = _clipped(_place(first["loc"]), 120)
    message = str(first["msg"]).removeprefix("Value error, ").replace("Input should", "it should")
    message = _clipped(message, 300)
    count = len({_place(e["loc"]) for e in error.errors(include_url=False, include_context=False)})
    more = f" (and {count - 1} more)" if count > 1 else ""
    if first["type"] == "extra_forbidden":
        return f"'{place}' is not a parameter: remove it or check its spelling{more}"
    if first["type"].startswith("union_tag"):
        context = error.errors(include_url=False)[0].get("ctx", {})
        kinds = context.get("expected_tags", "'kind' of the schema, `verdigris recipe schema`")
        return f"{place}.kind: it should be one of {kinds}{more}"
    if first["type"] == "value_error" and not place:
        return f"{message}{more}"
    return f"{place}: {message[:1].lower()}{message[1:]}{more}"


def _place(loc: tuple[int | str, ...]) -> str:
    """Return a parameter's path as people write it: extractors[0].strength."""
    place = ""
    for before, part in zip(("", *loc), loc, strict=False):
        if isinstance(part, int):
            place += f"[{part}]"
        elif not (_is_branch(part) or (isinstance(before, int) and part in _KINDS)):
            place += f".{part}" if place else part
    return place


def _is_branch(part: str) -> bool:
    return part in ("float", "int", "str", "none", "Keys") or part.startswith("function-")


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
            raise RecipeError(f"{path} is too large for a recipe: give a recipe (.json)")
        with path.open("rb") as file:  # Bounded, since a device or a pipe has no size.
            data = file.read(MAX_BYTES + 1)
        if len(data) > MAX_BYTES:
            raise RecipeError(f"{path} is too large for a recipe: give a recipe (.json)")
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise RecipeError(f"{path} is not a text file: give a recipe (.json)") from error
    except OSError as error:
        raise RecipeError(
            f"cannot read {path} ({error.strerror or error}): check the path and its permissions"
        ) from error
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


def check_text_output(path: Path) -> None:
    """Raise RecipeError, before long work, when a text file could not be written to `path`.

    A file that is there and holds binary data, such as a picture or a movie, is never replaced.
    """
    if path.is_dir():
        raise RecipeError(f"cannot write {path}: it is a folder, add a file name")
    if not path.parent.is_dir():
        raise RecipeError(f"cannot write {path}: make the folder {path.parent} first")
    with suppress(OSError):
        if path.is_file():
            with path.open("rb") as file:
                if b"\0" in file.read(4096):
                    raise RecipeError(
                        f"cannot write {path}: it is there and no text file, choose another name"
                    )


def write_text_atomically(path: Path, text: str, *, private: bool = False) -> None:
    """Write `text` so that a crash leaves either the old file or the new one.

    A new file gets the permissions the user's umask gives, or the owner's alone if `private`; a
    replaced one keeps its own. Raises RecipeError in one sentence when the folder is missing, full
    or read-only, or when a file that is no text would be replaced.
    """
    check_text_output(path)
    temporary = path.with_name(f".{path.name[:200]}.{secrets.token_hex(6)}.tmp")
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL
    try:
        handle = os.open(temporary, flags, 0o600 if private else 0o666)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        if not private and path.is_file():
            os.chmod(temporary, stat.S_IMODE(path.stat().st_mode))
        os.replace(temporary, path)
    except OSError as error:
        full = error.errno in (errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", None))
        remedy = "make space on the disk" if full else "check the permissions of its folder"
        raise RecipeError(f"cannot write {path} ({error.strerror or error}): {remedy}") from error
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


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

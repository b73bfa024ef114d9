"""Write the page's types of everything that travels, from the models that check it.

Usage: python -m tests.web.wire_types (writes web/js/wire-types.d.ts; a test says when it is old).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast, get_args

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaMode, models_json_schema

from kernels.engine import Channel
from kernels.recipe import CombineName, Extractor, Recipe
from kernels.views import ViewName
from server.service.take_list import DayOfTakes, WholeTake
from server.wire.messages import ClientMessage, JobKind, JobState, Role, ScopeKind
from server.wire.replies import ServerMessage
from server.wire.state import State

TARGET = Path(__file__).parents[2] / "web" / "js" / "wire-types.d.ts"
HEAD = """\
// The types of all that travels between page and server. Written by tests/web/wire_types.py from
// the models that check the messages: do not edit.

/** any: the models say no more of a value at a path of the recipe, or of a job's result. */
export type Value = any;

/** x0, y0, x1, y1, half open; in full-resolution pixels, a survey's in shares of the frame. */
export type Box = [number, number, number, number];

/** Three channels, in this order. */
export type RGB = [number, number, number];
"""
TUPLES = {4: "Box", 3: "RGB"}
PLAIN = {
    "string": "string",
    "integer": "number",
    "number": "number",
    "boolean": "boolean",
    "null": "null",
}
KNOWN = {("State", "recipe"): "Recipe", ("Recipe", "extractors"): "Extractor[]"}
"""Fields that the wire leaves open, or whose type has a name of its own."""
CHOICES: dict[str, Any] = {
    "Channel": Channel,
    "CombineName": CombineName,
    "JobKind": JobKind,
    "JobState": JobState,
    "Role": Role,
    "ScopeKind": ScopeKind,
    "ViewName": ViewName,
}
"""Choices that have a name."""
NAMED = {get_args(literal): name for name, literal in CHOICES.items()}


class WholeSchema(GenerateJsonSchema):
    """What arrives is written whole: no field is left out because it has a default."""

    def field_is_required(self, field: Any, total: bool) -> bool:
        """Return whether a field is always there."""
        return self.mode == "serialization" or super().field_is_required(field, total)


def wire_types() -> str:
    """Return the text of the types: sent messages as they may be sent, all else as it arrives."""
    sent, told = get_args(ClientMessage), get_args(ServerMessage)
    extractors = get_args(get_args(Extractor)[0])
    wanted: list[tuple[type[BaseModel], JsonSchemaMode]] = [
        *((model, "validation") for model in sent),
        *((model, "serialization") for model in (*told, State, DayOfTakes, WholeTake, Recipe)),
    ]
    names, schema = models_json_schema(wanted, ref_template="{model}", schema_generator=WholeSchema)
    parts = [HEAD]
    parts += [_union(name, map(_literal, get_args(choice))) for name, choice in CHOICES.items()]
    parts += [_model(_name(name), node) for name, node in sorted(schema["$defs"].items())]
    for title, models, mode in (
        ("Extractor", extractors, "serialization"),
        ("ClientMessage", sent, "validation"),
        ("ServerMessage", told, "serialization"),
    ):
        keys = [(model, cast(JsonSchemaMode, mode)) for model in models]
        refs = (names[key]["$ref"] if key in names else key[0].__name__ for key in keys)
        parts.append(_union(title, map(_name, refs)))
    parts.append(_answers())
    return "\n".join(parts)


def _union(name: str, members: Any) -> str:
    return f"export type {name} =\n" + "\n".join(f"  | {member}" for member in members) + ";\n"


def _answers() -> str:
    """Return which message answers a question, by the question's type: what has an id is one."""
    told = {_type_word(model): model.__name__ for model in get_args(ServerMessage)}
    asked = [model for model in get_args(ClientMessage) if "id" in model.model_fields]
    lines = [f"  {_type_word(model)}: {told[model.reply]};" for model in asked]
    return "export interface Answers {\n" + "\n".join(lines) + "\n}\n"


def _type_word(model: type[BaseModel]) -> str:
    (word,) = get_args(model.model_fields["type"].annotation)
    return str(word)


def _name(name: str) -> str:
    """Return the name of a model: one that differs between the ways is named after its way."""
    return name.replace("-Input", "Sent").replace("-Output", "")


def _model(name: str, node: dict[str, Any]) -> str:
    if "properties" not in node:
        return f"export type {name} = {_type(node)};\n"
    required = node.get("required", [])
    lines = []
    for key, field in node["properties"].items():
        mark = "" if key in required else "?"
        lines.append(f"  {key}{mark}: {KNOWN.get((name, key)) or _type(field)};")
    return f"export interface {name} {{\n" + "\n".join(lines) + "\n}\n"


def _type(node: dict[str, Any]) -> str:
    if "$ref" in node:
        return _name(node["$ref"])
    if "const" in node:
        return _literal(node["const"])
    if "enum" in node:
        return NAMED.get(tuple(node["enum"])) or " | ".join(map(_literal, node["enum"]))
    choices = node.get("anyOf") or node.get("oneOf")
    if choices:
        return " | ".join(dict.fromkeys(_type(choice) for choice in choices))
    kind = node.get("type")
    if kind == "array":
        return _array(node)
    if kind == "object":
        inner = node.get("additionalProperties")
        return f"Record<string, {_type(inner) if isinstance(inner, dict) else 'Value'}>"
    return PLAIN[kind] if kind else "Value"


def _array(node: dict[str, Any]) -> str:
    if "prefixItems" in node:
        items = node["prefixItems"]
        if all(item.get("type") in ("integer", "number") for item in items):
            return TUPLES.get(len(items), "[number, number]")
        return "[" + ", ".join(_type(item) for item in node["prefixItems"]) + "]"
    inner = _type(node["items"])
    return f"({inner})[]" if "|" in inner else f"{inner}[]"


def _literal(value: Any) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value).lower()


if __name__ == "__main__":
    TARGET.write_text(wire_types(), encoding="utf-8")

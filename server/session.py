"""The recipe while it is worked on: writes on paths, revisions, conflicts, undo and redo.

Nothing here knows of sockets or files. The document is plain JSON data; every change makes a new
one, validated as a whole, so that readers on other threads keep what they hold.
"""

from __future__ import annotations

import json
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from pydantic import ValidationError

from kernels.recipe import VERSION, Recipe
from kernels.recipe_file import describe
from server.messages import InsertOp, MoveOp, Op, RemoveOp, SetOp, Write
from server.replies import Accepted, Change, Changed, Refused

UNDO_STEPS = 500
REMEMBERED_WRITES = 512
REMEMBERED_CLIENTS = 64
ORDER = "#place"

Parts = tuple[str, ...]
Document = dict[str, Any]


class WriteError(ValueError):
    """An operation cannot be carried out; the text is one sentence for the sender."""


@dataclass
class Step:
    """One step of undo: what was changed, by whom, and the recipe before and after."""

    label: str
    client: str
    gesture: str
    paths: set[Parts]
    before: Document
    after: Document


@dataclass(frozen=True)
class Outcome:
    """What a write led to: the answer for its sender and, when accepted, the news for others."""

    answer: Accepted | Refused
    news: Changed | None = None


@dataclass
class RecipeSession:
    """The shared recipe of everybody who is connected."""

    recipe: Recipe
    revision: int = 1
    _document: Document = field(init=False)
    _touched: dict[Parts, tuple[int, str]] = field(default_factory=dict)
    _undo: list[Step] = field(default_factory=list)
    _redo: list[Step] = field(default_factory=list)
    _answers: OrderedDict[str, OrderedDict[int, Accepted]] = field(default_factory=OrderedDict)

    def __post_init__(self) -> None:
        self._document = self.recipe.dump()

    @property
    def document(self) -> Document:
        """The recipe as plain data; not to be changed."""
        return self._document

    @property
    def undo_label(self) -> str | None:
        """What `undo` would take back."""
        return self._undo[-1].label if self._undo else None

    @property
    def redo_label(self) -> str | None:
        """What `redo` would do again."""
        return self._redo[-1].label if self._redo else None

    def write(self, client: str, message: Write, by: str = "") -> Outcome:
        """Apply a write of `client`, all of it or nothing."""
        known = self._answered(client, message.client_seq)
        if known is not None:
            return Outcome(known)
        paths = {touched(op) for op in message.ops}
        clash = self._clash(client, paths, message.seen)
        if clash is not None:
            return Outcome(
                self._refuse(
                    message,
                    "conflict",
                    f"'{'/'.join(clash) or 'the recipe'}' was changed by somebody else meanwhile",
                )
            )
        try:
            document = self._document
            for op in message.ops:
                document = apply(document, op)
            recipe = validated(document)
        except WriteError as error:
            return Outcome(self._refuse(message, "invalid", str(error)))
        return self._commit(
            client,
            message.client_seq,
            recipe,
            Step(message.label, client, message.gesture, paths, self._document, {}),
            by,
        )

    def undo(self, client: str, client_seq: int, by: str = "") -> Outcome:
        """Take the last step back."""
        return self._travel(client, client_seq, self._undo, self._redo, "undo", by)

    def redo(self, client: str, client_seq: int, by: str = "") -> Outcome:
        """Do the step that was taken back last again."""
        return self._travel(client, client_seq, self._redo, self._undo, "redo", by)

    def replace(self, recipe: Recipe) -> None:
        """Begin afresh with another recipe: a new shot. Undo ends here."""
        self.recipe, self._document = recipe, recipe.dump()
        self.revision += 1
        self._touched = {(): (self.revision, "")}
        self._undo.clear()
        self._redo.clear()

    def _commit(self, client: str, client_seq: int, recipe: Recipe, step: Step, by: str) -> Outcome:
        before, after = self._document, recipe.dump()
        step.after = after
        last = self._undo[-1] if self._undo else None
        if last and step.gesture and (last.gesture, last.client) == (step.gesture, client):
            last.after, last.label = after, step.label
            last.paths |= step.paths
        else:
            self._undo.append(step)
            del self._undo[:-UNDO_STEPS]
        self._redo.clear()
        return self._advance(client, client_seq, recipe, before, step.paths, step.label, by)

    def _travel(
        self,
        client: str,
        client_seq: int,
        source: list[Step],
        target: list[Step],
        verb: str,
        by: str,
    ) -> Outcome:
        known = self._answered(client, client_seq)
        if known is not None:
            return Outcome(known)
        if not source:
            return Outcome(
                Refused(
                    client_seq=client_seq,
                    revision=self.revision,
                    reason="nothing",
                    message=f"there is nothing to {verb}",
                )
            )
        step = source.pop()
        target.append(step)
        step.gesture = ""
        document = step.before if verb == "undo" else step.after
        before = self._document
        return self._advance(
            client, client_seq, validated(document), before, step.paths, f"{verb}: {step.label}", by
        )

    def _advance(
        self,
        client: str,
        client_seq: int,
        recipe: Recipe,
        before: Document,
        paths: set[Parts],
        label: str,
        by: str,
    ) -> Outcome:
        self.recipe, self._document = recipe, recipe.dump()
        self.revision += 1
        for path in paths:
            self._touched[path] = (self.revision, client)
        answer = Accepted(
            client_seq=client_seq,
            revision=self.revision,
            undo=self.undo_label,
            redo=self.redo_label,
        )
        self._remember(client, answer)
        changes = [Change(path="/".join(p), value=v) for p, v in diff(before, self._document)]
        return Outcome(
            answer,
            Changed(
                revision=self.revision,
                by=by or client,
                label=label,
                changes=changes,
                undo=self.undo_label,
                redo=self.redo_label,
            ),
        )

    def _answered(self, client: str, client_seq: int) -> Accepted | None:
        """The answer given before, when a write is sent again after a reconnection."""
        answers = self._answers.get(client)
        return answers.get(client_seq) if answers else None

    def _remember(self, client: str, answer: Accepted) -> None:
        answers = self._answers.setdefault(client, OrderedDict())
        self._answers.move_to_end(client)
        answers[answer.client_seq] = answer
        if len(answers) > REMEMBERED_WRITES:
            answers.popitem(last=False)
        if len(self._answers) > REMEMBERED_CLIENTS:
            self._answers.popitem(last=False)

    def _clash(self, client: str, paths: set[Parts], seen: int) -> Parts | None:
        for other, (revision, who) in self._touched.items():
            if revision > seen and who != client and any(_related(other, p) for p in paths):
                return other
        return None

    def _refuse(self, message: Write, reason: Any, text: str) -> Refused:
        current = []
        for path in sorted({touched(op) for op in message.ops}):
            place = path[:-1] if path and path[-1] == ORDER else path
            current.append(self._current(place))
        return Refused(
            client_seq=message.client_seq,
            revision=self.revision,
            reason=reason,
            message=text,
            current=current,
        )

    def _current(self, path: Parts) -> Change:
        """The value at a path, or of the nearest list or object around it that exists."""
        while True:
            try:
                return Change(path="/".join(path), value=look_up(self._document, path))
            except WriteError:
                path = path[:-1]


def _related(a: Parts, b: Parts) -> bool:
    n = min(len(a), len(b))
    return a[:n] == b[:n]


# ---------------------------------------------------------------- paths and operations


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
        recipe = Recipe.model_validate_json(json.dumps(document, allow_nan=False))
    except ValidationError as error:
        raise WriteError(describe(error)) from error
    except (ValueError, RecursionError) as error:
        raise WriteError("the value is not plain JSON data with finite numbers") from error
    if recipe.version != VERSION:
        raise WriteError(f"recipes worked on are of version {VERSION}")
    return recipe


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

"""The recipe while it is worked on: writes on paths, revisions, conflicts, undo and redo.

Nothing here knows of sockets or files. The document is plain JSON data; every change makes a new
one, validated as a whole, so that readers on other threads keep what they hold.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from cachetools import LRUCache

from kernels.recipe import Recipe
from server.editing.documents import (
    ORDER,
    Document,
    Parts,
    WriteError,
    apply,
    changed,
    diff,
    look_up,
    touched,
    validated,
)
from server.wire.messages import Write
from server.wire.replies import Accepted, Changed, Refused
from server.wire.state import Change

UNDO_STEPS = 500
REMEMBERED_WRITES = 512
REMEMBERED_CLIENTS = 64


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
    _answers: LRUCache[str, LRUCache[int, Accepted]] = field(
        default_factory=lambda: LRUCache(REMEMBERED_CLIENTS)
    )

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
            recipe, document = changed(self.recipe, self._document, document)
        except WriteError as error:
            return Outcome(self._refuse(message, "invalid", str(error)))
        step = Step(message.label, client, message.gesture, paths, self._document, document)
        return self._commit(client, message.client_seq, recipe, step, by)

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
        last = self._undo[-1] if self._undo else None
        if last and step.gesture and (last.gesture, last.client) == (step.gesture, client):
            last.after, last.label = step.after, step.label
            last.paths |= step.paths
        else:
            self._undo.append(step)
            del self._undo[:-UNDO_STEPS]
        self._redo.clear()
        return self._advance(
            client, client_seq, recipe, step.after, step.paths, step.label, by, step.gesture
        )

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
        recipe = validated(document)
        label = f"{verb}: {step.label}"
        return self._advance(client, client_seq, recipe, recipe.dump(), step.paths, label, by)

    def _advance(
        self,
        client: str,
        client_seq: int,
        recipe: Recipe,
        document: Document,
        paths: set[Parts],
        label: str,
        by: str,
        gesture: str = "",
    ) -> Outcome:
        before = self._document
        self.recipe, self._document = recipe, document
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
                gesture=gesture,
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
        if client not in self._answers:
            self._answers[client] = LRUCache(REMEMBERED_WRITES)
        self._answers[client][answer.client_seq] = answer

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

"""Recipes on disk: the one being worked on, saved after every change, its history, named copies.

The recipe's file is replaced atomically a moment after each change, on a thread of its own; what a
killed process loses is at most that moment. The history is a file of lines beside it, one a step.
"""

from __future__ import annotations

import hashlib
import json
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from kernels.recipe import Recipe
from kernels.recipe_file import (
    RecipeError,
    load_recipe,
    parse_recipe,
    save_recipe,
    write_text_atomically,
)
from server.editing.recipe_lock import TOUCH_S, RecipeLock
from server.wire.replies import HistoryEntry, SavedRecipe

SAVE_AFTER_S = 0.15
RETRY_S = 2.0
HISTORY_BYTES = 8 << 20
HISTORY_KEPT = 400
REVISIONS_APART = 1000
"""a restart skips this many revisions, more than can be lost with one unsaved moment"""
MAX_SAVED = 500


@dataclass(frozen=True)
class _Step:
    """A state of the recipe on its way to the disk."""

    recipe: Recipe
    revision: int
    label: str
    gesture: str

    def line(self) -> str:
        """Return the history's line."""
        return json.dumps(
            {
                "at": time.time(),
                "revision": self.revision,
                "label": self.label,
                "gesture": self.gesture,
                "recipe": self.recipe.dump(),
            }
        )


class _OtherHandError(RecipeError):
    """The file was changed by somebody else; the session was kept beside it."""


def _digest(path: Path) -> str:
    """Return what tells a file's content from another's; empty where there is none."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""


class RecipeStore:
    """Saves one session's recipe; what fails is tried again until it works.

    on_error: hears in one sentence when saving begins to fail, and an empty text when it works.
    take_over: take the file's lock from another service that works on it. `read_only` tells why
    nothing is saved; empty where it is. What cannot go into the file, because another hand has
    changed it, is kept beside it as `<name>.unsaved.json`, and in the history.
    """

    def __init__(
        self,
        path: Path,
        library: Path,
        *,
        on_error: Callable[[str], None] = lambda _: None,
        after_s: float = SAVE_AFTER_S,
        take_over: bool = False,
    ) -> None:
        self.path, self.library = path, library
        self.history_path = path.with_name(f"{path.stem}.history.jsonl")
        self._on_error, self._after_s = on_error, after_s
        self._wake = threading.Condition()
        self._waiting: list[_Step] = []
        self._saving = False
        self._failed = ""
        """why the last try failed"""
        self._tried = False
        """what waits has been tried and failed"""
        self._closed = False
        path.parent.mkdir(parents=True, exist_ok=True)
        self._lock = RecipeLock(path)
        self.read_only = self._take_lock(take_over)
        self._on_disk = _digest(path)
        self._thread = threading.Thread(target=self._run, name="recipe-saver", daemon=True)
        self._thread.start()

    # ------------------------------------------------------------ the recipe being worked on

    def load(self) -> tuple[Recipe, int] | None:
        """Return the saved recipe and the revision to go on from; None if there is none."""
        if not self.path.exists():
            return None
        recipe = load_recipe(self.path)
        revisions = [entry["revision"] for entry in self._entries()]
        return recipe, max(revisions, default=0) + REVISIONS_APART

    def _take_lock(self, over: bool) -> str:
        """Take the file's lock; returns why that is impossible, or nothing."""
        try:
            holder = self._lock.take(over=over)
        except OSError:
            return ""  # saving fails too, and says why
        if holder is None:
            return ""
        return (
            f"another service works on {self.path.name} (on {holder.host}, process {holder.pid}): "
            "nothing changed here is saved; end that one, or start with --take-over"
        )

    def changed(self, recipe: Recipe, revision: int, label: str, gesture: str = "") -> None:
        """Have a recipe saved in a moment; changes of one gesture are one step of history."""
        step = _Step(recipe, revision, label, gesture)
        with self._wake:
            if gesture and self._waiting and self._waiting[-1].gesture == gesture:
                self._waiting[-1] = step
            else:
                self._waiting.append(step)
            self._tried = False
            self._wake.notify_all()

    def flush(self, timeout_s: float = 10.0) -> bool:
        """Wait until everything is on disk; False if that fails or takes longer."""
        with self._wake:
            self._wake.wait_for(
                lambda: not self._saving and (self._tried or not self._waiting), timeout_s
            )
            return not self._waiting and not self._saving

    def close(self) -> None:
        """Save what is waiting and end the thread."""
        with self._wake:
            self._closed = True
            self._wake.notify_all()
        self._thread.join()
        self._lock.release()

    def _run(self) -> None:
        while True:
            with self._wake:
                while not self._wake.wait_for(lambda: self._waiting or self._closed, TOUCH_S):
                    self._lock.touch()
                if not self._waiting:
                    return
                closing = self._closed
            if not closing:
                time.sleep(self._after_s)
            with self._wake:
                steps, self._waiting, self._saving = self._waiting, [], True
            failed = self._try(steps)
            with self._wake:
                self._saving = False
                if failed:
                    self._tried = not self._waiting
                    self._waiting = [*steps, *self._waiting][-HISTORY_KEPT:]
                    self._wake.notify_all()
                    self._wake.wait_for(lambda: self._closed or not self._tried, RETRY_S)
                    if closing:
                        return
                else:
                    self._wake.notify_all()

    def _try(self, steps: list[_Step]) -> str:
        """Save, tell what has changed since the last try, and return why it failed or nothing."""
        try:
            self._save(steps, "\n" if self._failed else "")
        except _OtherHandError as error:
            self._tell(str(error))
            return ""
        except (RecipeError, OSError) as error:
            failed = f"the recipe could not be saved: {error}"
        else:
            failed = ""
        self._tell(failed)
        return failed

    def _tell(self, failed: str) -> None:
        if failed != self._failed:
            self._on_error(failed)
        self._failed = failed

    def _save(self, steps: list[_Step], begin: str) -> None:
        """begin: a new line, when the last one may be torn."""
        if not self._lock.mine():
            self.read_only = self._take_lock(over=False)
        if self.read_only:
            raise RecipeError(self.read_only)
        other_hand = _digest(self.path) not in ("", self._on_disk)
        kept = self.path.with_name(f"{self.path.stem}.unsaved.json") if other_hand else self.path
        save_recipe(steps[-1].recipe, kept)
        if not other_hand:
            self._on_disk = _digest(self.path)
        with open(self.history_path, "a", encoding="utf-8") as file:
            file.write(begin + "".join(step.line() + "\n" for step in steps))
        if self.history_path.stat().st_size > HISTORY_BYTES:
            lines = [json.dumps(entry) for entry in self._entries()[-HISTORY_KEPT:]]
            write_text_atomically(self.history_path, "\n".join(lines) + "\n")
        if other_hand:
            raise _OtherHandError(
                f"another hand has changed {self.path.name}: it is left as it is, and this session "
                f"is kept in {kept.name}; start again with the one you want"
            )

    # ------------------------------------------------------------ history

    def _entries(self) -> list[dict[str, Any]]:
        """The history's lines, of each gesture only the last; a torn last line is left out."""
        try:
            lines = self.history_path.read_text(encoding="utf-8", errors="replace").splitlines()
        except OSError:
            return []
        entries: list[dict[str, Any]] = []
        for line in lines:
            try:
                entry = json.loads(line)
                int(entry["revision"]), float(entry["at"]), dict(entry["recipe"])
            except (ValueError, KeyError, TypeError):
                continue
            gesture = entry.get("gesture")
            if entries and gesture and entries[-1].get("gesture") == gesture:
                entries.pop()
            entries.append(entry)
        return entries

    def history(self, count: int = 100) -> list[HistoryEntry]:
        """Return the latest steps, newest first."""
        return [
            HistoryEntry(
                history=int(e["revision"]), at=float(e["at"]), label=str(e.get("label", ""))[:80]
            )
            for e in reversed(self._entries()[-count:])
        ]

    def from_history(self, revision: int) -> Recipe:
        """Return the recipe as it was at a step; RecipeError if the history has none."""
        for entry in reversed(self._entries()):
            if int(entry["revision"]) == revision:
                return parse_recipe(json.dumps(entry["recipe"]), f"history step {revision}")
        raise RecipeError(f"the history has no step {revision}")

    # ------------------------------------------------------------ named recipes

    def saved(self) -> list[SavedRecipe]:
        """Return the named recipes, newest first."""
        if not self.library.is_dir():
            return []
        found = [
            SavedRecipe(name=path.stem, at=path.stat().st_mtime)
            for path in self.library.glob("*.json")
            if not path.name.startswith(".")
        ]
        return sorted(found, key=lambda recipe: -recipe.at)[:MAX_SAVED]

    def save_as(self, recipe: Recipe, name: str) -> Path:
        """Save a copy under a name. An existing one of that name is replaced."""
        path = self.named(name)
        self.library.mkdir(parents=True, exist_ok=True)
        return save_recipe(recipe.model_copy(update={"name": name}), path)

    def named(self, name: str) -> Path:
        """Return the file of a named recipe; RecipeError when the name is not allowed."""
        allowed = all(c.isalnum() or c in " -_." for c in name) and name.isprintable()
        if not allowed or not name.strip() or len(name) > 60 or name.startswith((".", " ")):
            raise RecipeError(
                "a recipe's name has letters, digits, spaces, '-', '_' and '.', at most 60, and "
                "does not begin with a dot or a space"
            )
        return self.library / f"{name}.json"

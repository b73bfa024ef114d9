"""Notes pinned to frame and place, kept in a file beside the recipe.

The board belongs to the event loop's thread; the file is written on a thread of its own, a moment
after a change, so that a flood of notes costs one write a moment.
"""

from __future__ import annotations

import json
import secrets
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from kernels.recipe_file import RecipeError, write_text_atomically
from server.wire.messages import NoteAdd, NoteEdit, Role
from server.wire.state import Note

MAX_NOTES = 500
SAVE_AFTER_S = 0.25


class _NotesFile(BaseModel):
    """What the file holds."""

    model_config = ConfigDict(extra="ignore")

    notes: list[Note]


class NotesError(ValueError):
    """A note cannot be added or changed; the text is fit for the sender."""


class NoteBoard:
    """The notes of one shot. Reviewers may change those of their own device, operators all.

    on_error: hears in one sentence when saving begins to fail, and an empty text when it works;
    on the saving thread.
    """

    def __init__(
        self,
        path: Path | None = None,
        *,
        on_error: Callable[[str], None] = lambda _: None,
        after_s: float = SAVE_AFTER_S,
    ) -> None:
        self.path, self._on_error, self._after_s = path, on_error, after_s
        self.notes: list[Note] = []
        self._saver = ThreadPoolExecutor(1, thread_name_prefix="note-saver")
        self._asked, self._closed = threading.Event(), threading.Event()
        self._failed = ""
        if path is not None and path.is_file():
            try:
                self.notes = _read(path)
            except (OSError, ValidationError, ValueError):
                path.replace(path.with_suffix(".unreadable"))

    def add(self, message: NoteAdd, device: str, by: str, role: Role) -> Note:
        """Pin a note and return it."""
        if len(self.notes) >= MAX_NOTES:
            raise NotesError(f"there are {MAX_NOTES} notes already: remove some first")
        note = Note(
            note=secrets.token_hex(4),
            frame=message.frame,
            x=message.x,
            y=message.y,
            text=message.text,
            by=by,
            device=device,
            role=role,
            at=time.time(),
        )
        self.notes.append(note)
        self._save_soon()
        return note

    def edit(self, message: NoteEdit, device: str, role: Role) -> Note:
        """Change a note's text, or tick it off; returns what it is now."""
        place = self._own(message.note, device, role)
        change = {
            k: v for k, v in (("text", message.text), ("done", message.done)) if v is not None
        }
        self.notes[place] = self.notes[place].model_copy(update=change)
        self._save_soon()
        return self.notes[place]

    def remove(self, note: str, device: str, role: Role) -> None:
        """Take a note away."""
        del self.notes[self._own(note, device, role)]
        self._save_soon()

    def flush(self) -> None:
        """Wait until what was changed is on disk or has failed."""
        self._closed.set()
        self._saver.submit(lambda: None).result()
        self._closed.clear()

    def close(self) -> None:
        """Save what is waiting and end the thread."""
        self._closed.set()
        self._saver.shutdown(wait=True)

    def _own(self, note: str, device: str, role: Role) -> int:
        for place, found in enumerate(self.notes):
            if found.note == note:
                if role != "operator" and found.device != device:
                    raise NotesError("only its writer or an operator may change a note")
                return place
        raise NotesError("that note is gone")

    def _save_soon(self) -> None:
        if self.path is not None and not self._asked.is_set():
            self._asked.set()
            self._saver.submit(self._save, self.path)

    def _save(self, path: Path) -> None:
        """On the saving thread: wait a moment for more, then write what there is now."""
        self._closed.wait(self._after_s)
        self._asked.clear()
        try:
            write_text_atomically(
                path, _NotesFile(notes=list(self.notes)).model_dump_json(indent=1)
            )
            failed = ""
        except RecipeError as error:
            failed = f"the notes could not be saved: {error}"
        if failed != self._failed:
            self._on_error(failed)
        self._failed = failed


def _read(path: Path) -> list[Note]:
    """Return a file's notes; those of before devices were noted belong to operators alone."""
    data: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    for note in data.get("notes", []):
        if isinstance(note, dict) and note.pop("client", None) is not None:
            note.setdefault("device", "")
    return _NotesFile.model_validate(data).notes

"""Notes pinned to frame and place, kept in a file beside the recipe."""

from __future__ import annotations

import secrets
import time
from pathlib import Path

from pydantic import ValidationError

from kernels.recipe_file import RecipeError, write_text_atomically
from server.wire.messages import NoteAdd, NoteEdit, Role
from server.wire.replies import Notes
from server.wire.state import Note

MAX_NOTES = 500


class NotesError(ValueError):
    """A note cannot be added or changed; the text is fit for the sender."""


class NoteBoard:
    """The notes of one shot. Reviewers may change their own, operators all."""

    def __init__(self, path: Path | None = None) -> None:
        self.path = path
        self.notes: list[Note] = []
        if path is not None and path.is_file():
            try:
                self.notes = Notes.model_validate_json(path.read_text(encoding="utf-8")).notes
            except (OSError, ValidationError, ValueError):
                path.replace(path.with_suffix(".unreadable"))

    def add(self, message: NoteAdd, client: str, by: str, role: Role) -> None:
        """Pin a note."""
        if len(self.notes) >= MAX_NOTES:
            raise NotesError(f"there are {MAX_NOTES} notes already: remove some first")
        self.notes.append(
            Note(
                note=secrets.token_hex(4),
                frame=message.frame,
                x=message.x,
                y=message.y,
                text=message.text,
                by=by,
                client=client,
                role=role,
                at=time.time(),
            )
        )
        self._save()

    def edit(self, message: NoteEdit, client: str, role: Role) -> None:
        """Change a note's text, or tick it off."""
        place = self._own(message.note, client, role)
        change = {
            k: v for k, v in (("text", message.text), ("done", message.done)) if v is not None
        }
        self.notes[place] = self.notes[place].model_copy(update=change)
        self._save()

    def remove(self, note: str, client: str, role: Role) -> None:
        """Take a note away."""
        del self.notes[self._own(note, client, role)]
        self._save()

    def _own(self, note: str, client: str, role: Role) -> int:
        for place, found in enumerate(self.notes):
            if found.note == note:
                if role != "operator" and found.client != client:
                    raise NotesError("only its writer or an operator may change a note")
                return place
        raise NotesError("that note is gone")

    def _save(self) -> None:
        if self.path is None:
            return
        text = Notes(notes=self.notes).model_dump_json(indent=1)
        try:
            write_text_atomically(self.path, text)
        except RecipeError as error:
            raise NotesError(f"the notes could not be saved: {error}") from error

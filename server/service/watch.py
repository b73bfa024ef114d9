"""`serve FOLDER --watch`: what lies in the folder. `server.service.watched` serves and opens it.

The folder is looked through every few seconds (network file systems tell of no changes). A shot is
ready when its files have stopped growing.
"""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from kernels.errors import VerdigrisError
from server.media import open_shot
from server.media.apart import Apart
from server.media.exr import made_here
from server.media.sequence import Pattern, is_text, numbered_folder
from server.service.media_list import MOVIES
from server.takes.log import TakeLog, told_apart, whole_spec
from server.wire.state import WatchedShot

log = logging.getLogger("verdigris.watch")
STILL_FOR_S = 2.0
DEEPEST = 2
MAX_SHOTS = 500
GIVE_WAY = 10
"""how far the process that tries new shots gives way to others"""
TRIED_A_LOOK = 20
"""shots whose headers are opened in one look, so that none of them holds the list up for long"""
MAX_TOLD = 200


@dataclass(frozen=True)
class Found:
    """A shot as it lies on disk: its SHOT, when it last changed, how much is there."""

    spec: str
    name: str
    frames: int
    size: int
    changed: float


def look(
    folder: Path, depth: int = DEEPEST, complain: Callable[[str], None] = log.warning
) -> list[Found]:
    """Return the shots under a folder: sequences and movies, a few folders deep.

    What was baked or rendered here is left out.
    What cannot be looked at is told to `complain` and hides nothing else.
    """
    found: list[Found] = []
    try:
        sequences, singles = numbered_folder(folder)
        folders = [item for item in sorted(folder.iterdir()) if depth > 0 and _is_folder(item)]
    except (VerdigrisError, OSError) as error:
        complain(f"the watched folder: {error}")
        return []
    items: list[tuple[Pattern | Path, list[int]]] = list(sequences.items())
    items += [(path, []) for path in singles if path.suffix.lower() in MOVIES]
    for item, frames in items:
        if not is_text(str(item)):
            complain(f"{str(item)!a} has a name that is not UTF-8 text and is left out; rename it")
            continue
        try:
            shot = _found(item, frames) if isinstance(item, Pattern) else _found_movie(item)
        except OSError as error:  # it has gone since
            complain(f"the watched folder: {error}")
            continue
        ours = isinstance(item, Pattern) and made_here(item.path(frames[0]))
        found += [shot] if shot.frames != 1 and not ours else []
    for item in folders:
        found += look(item, depth - 1, complain)
    return found


def _is_folder(item: Path) -> bool:
    return item.is_dir() and not item.name.startswith(".") and not item.is_symlink()


def _found(pattern: Pattern, frames: list[int]) -> Found:
    ends = [pattern.path(frames[0]).stat(), pattern.path(frames[-1]).stat()]
    name = pattern.prefix.rstrip("._- ") or pattern.folder.name
    changed = max(end.st_mtime for end in ends)
    return Found(str(pattern), name, len(frames), ends[-1].st_size, changed)


def _found_movie(path: Path) -> Found:
    stat = path.stat()
    return Found(str(path), path.stem, 0, stat.st_size, stat.st_mtime)


@dataclass
class Watch:
    """Knows the shots of a folder: which have appeared, which have stopped growing."""

    folder: Path
    clock: Callable[[], float] = time.time
    shots: list[WatchedShot] = field(default_factory=list)
    """for pages, newest first"""
    _seen: dict[str, tuple[Found, float, float]] = field(default_factory=dict)
    """by SHOT: as found last, when it appeared, when it last grew"""
    _judged: tuple[Path, float] | None = None
    """the take log whose verdicts are known, and when it last changed"""
    _verdicts: dict[str, str] = field(default_factory=dict)
    """by SHOT"""
    _problems: dict[Found, str] = field(default_factory=dict)
    """by shot as it was when it was tried: why it cannot be opened, or nothing"""
    _told: set[str] = field(default_factory=set)
    """what was complained about already"""

    def note(self, found: list[Found], open_spec: str) -> bool:
        """Note what was found; tells whether the list has changed. open_spec: the open SHOT."""
        now = self.clock()
        seen: dict[str, tuple[Found, float, float]] = {}
        kept = set(sorted(found, key=lambda shot: -shot.changed)[:MAX_SHOTS])
        if len(kept) < len(found):
            self._complain(f"of more than {MAX_SHOTS} shots only the newest are listed")
        for shot in (shot for shot in found if shot in kept):
            old = self._seen.get(shot.spec)
            if old is None:
                seen[shot.spec] = (shot, now, min(max(shot.changed, now - STILL_FOR_S), now))
            elif (old[0].frames, old[0].size, old[0].changed) != (
                shot.frames,
                shot.size,
                shot.changed,
            ):
                seen[shot.spec] = (shot, old[1], now)
            else:
                seen[shot.spec] = old
        self._seen = seen
        return self._list(open_spec)

    def note_open(self, open_spec: str) -> None:
        """Note which SHOT is open now."""
        self._list(open_spec)

    def _list(self, open_spec: str) -> bool:
        now, before = self.clock(), self.shots
        named = told_apart([(shot.name, spec) for spec, (shot, _, _) in self._seen.items()])
        listed = [
            WatchedShot(
                shot=str(Path(spec).relative_to(self.folder)),
                name=name,
                at=appeared,
                frames=shot.frames,
                open=spec == open_spec,
                ready=abs(now - grew) >= STILL_FOR_S,  # clocks are set back, too
                verdict=self._verdicts.get(whole_spec(spec), ""),
                problem=self._problems.get(shot, ""),
            )
            for name, (spec, (shot, appeared, grew)) in zip(named, self._seen.items(), strict=True)
        ]
        self.shots = sorted(listed, key=lambda shot: (-shot.at, shot.name))
        return self.shots != before

    def look(self, log: Path) -> list[Found]:
        """Look through the folder and a take log. May block: on a thread of its own."""
        found = look(self.folder, complain=self._complain)
        try:
            judged = (log, log.stat().st_mtime)
            if judged != self._judged:
                self._verdicts, self._judged = TakeLog(log).verdicts(), judged
        except OSError:
            self._verdicts, self._judged = {}, None
        except VerdigrisError as error:
            self._complain(f"the take log: {error}")
        return found

    def try_new(self, found: list[Found], open_spec: str, options: dict[str, Any]) -> None:
        """Open the headers of shots that are new or have changed, the newest first, some a look.

        options: as for `open_shot`. May block: on a thread of its own.
        """
        self._problems = {shot: self._problems[shot] for shot in found if shot in self._problems}
        now = self.clock()
        new = [
            shot
            for shot in found
            if shot not in self._problems
            and shot.spec != open_spec
            and abs(now - shot.changed) >= STILL_FOR_S
        ]
        if not new:
            return
        with Apart(nice=GIVE_WAY) as apart:
            for shot in sorted(new, key=lambda shot: -shot.changed)[:TRIED_A_LOOK]:
                problem = ""
                try:
                    apart.call(shot.spec, open_shot, shot.spec, **options)
                except VerdigrisError as error:
                    problem = self._named(str(error))
                self._problems[shot] = problem

    def _named(self, sentence: str) -> str:
        """A sentence for pages: with names as the list has them, not where they lie."""
        return sentence.replace(f"{self.folder}{os.sep}", "")[:300]

    def _complain(self, text: str) -> None:
        if text not in self._told and len(self._told) < MAX_TOLD:
            self._told.add(text)
            log.warning("%s", text)

    def spec(self, name: str) -> str:
        """Return the SHOT of a name that pages know."""
        spec = str(self.folder / name)
        if spec not in self._seen:
            raise VerdigrisError("there is no such shot: choose one of the list")
        return spec


def newest(folder: Path, *, deinterlace: bool = False) -> str | None:
    """Return the SHOT of the newest shot under a folder that can be read, or None without any.

    One that is still being written does not keep the service from starting with the one before; if
    none can be read, the newest is returned, and opening it tells why.
    """
    shots = sorted(look(folder), key=lambda shot: -shot.changed)
    with Apart() as apart:
        for shot in shots:
            options = {"missing": "hold", "deinterlace": deinterlace}
            try:
                apart.call(shot.spec, open_shot, shot.spec, **options)
            except VerdigrisError as error:
                log.warning("passed over for now: %s", error)
            else:
                return shot.spec
    return shots[0].spec if shots else None

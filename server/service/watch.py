"""`serve FOLDER --watch`: new takes appear by themselves and open with the last recipe.

The folder is looked through every few seconds (network file systems tell of no changes). A take is
ready when its files have stopped growing.
"""

from __future__ import annotations

import asyncio
import logging
import os
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from kernels.errors import VerdigrisError
from kernels.recipe import Recipe
from server.editing.notes import NoteBoard
from server.media import Shot, open_shot
from server.media.apart import Apart
from server.media.exr import made_here
from server.media.sequence import Pattern, is_text, numbered_folder
from server.pictures.renderer import Urgency
from server.service.media_list import MOVIES
from server.service.service import Service
from server.service.take_list import take_log
from server.start import ServiceMaker
from server.takes.log import TakeLog, told_apart, whole_spec
from server.wire.replies import Takes
from server.wire.state import Take

log = logging.getLogger("verdigris.watch")
LOOK_EVERY_S = 2.0
STILL_FOR_S = 2.0
DEEPEST = 2
MAX_TAKES = 500
GIVE_WAY = 10
TRIED_A_LOOK = 20
"""takes whose headers are opened in one look, so that none of them holds the list up for long"""
MAX_TOLD = 200


@dataclass(frozen=True)
class Found:
    """A take as it lies on disk: its SHOT, when it last changed, how much is there."""

    spec: str
    name: str
    frames: int
    size: int
    changed: float


def look(
    folder: Path, depth: int = DEEPEST, complain: Callable[[str], None] = log.warning
) -> list[Found]:
    """Return the takes under a folder: sequences and movies, a few folders deep.

    What was baked and rendered from takes is no take.
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
            take = _found(item, frames) if isinstance(item, Pattern) else _found_movie(item)
        except OSError as error:  # it has gone since
            complain(f"the watched folder: {error}")
            continue
        ours = isinstance(item, Pattern) and made_here(item.path(frames[0]))
        found += [take] if take.frames != 1 and not ours else []
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
    """Keeps `service.takes` up to date and opens takes."""

    service: Service
    maker: ServiceMaker
    folder: Path
    clock: Callable[[], float] = time.time
    _seen: dict[str, tuple[Found, float, float]] = field(default_factory=dict)
    """by SHOT: as found last, when it appeared, when it last grew"""
    _judged: tuple[Path, float] | None = None
    """the take log whose verdicts are known, and when it last changed"""
    _verdicts: dict[str, str] = field(default_factory=dict)
    """by SHOT"""
    _apart: Apart = field(default_factory=Apart)
    """opens takes: a file that ends its reader must not end the service"""
    _problems: dict[Found, str] = field(default_factory=dict)
    """by take as it was when it was tried: why it cannot be opened, or nothing"""
    _told: set[str] = field(default_factory=set)
    """what was complained about already"""

    def attach(self) -> None:
        """Let the service watch from its start on, open takes and survey them."""
        self.service.background.append(self.run)
        self.service.open_take = self.open
        self.service.read_take = self.read
        self.service.watched_folder = self.folder

    def take_in(self, found: list[Found]) -> bool:
        """Note what was found; tells whether the list of takes has changed."""
        now = self.clock()
        seen: dict[str, tuple[Found, float, float]] = {}
        kept = set(sorted(found, key=lambda take: -take.changed)[:MAX_TAKES])
        if len(kept) < len(found):
            self._complain(f"of more than {MAX_TAKES} takes only the newest are listed")
        for take in (take for take in found if take in kept):
            old = self._seen.get(take.spec)
            if old is None:
                seen[take.spec] = (take, now, min(max(take.changed, now - STILL_FOR_S), now))
            elif (old[0].frames, old[0].size, old[0].changed) != (
                take.frames,
                take.size,
                take.changed,
            ):
                seen[take.spec] = (take, old[1], now)
            else:
                seen[take.spec] = old
        self._seen = seen
        takes = self.takes()
        changed = takes != self.service.takes
        self.service.takes = takes
        return changed

    def takes(self) -> list[Take]:
        """Return the takes for pages, newest first."""
        now, open_spec = self.clock(), str(self.service.opened.shot.spec)
        named = told_apart([(take.name, spec) for spec, (take, _, _) in self._seen.items()])
        listed = [
            Take(
                take=str(Path(spec).relative_to(self.folder)),
                name=name,
                at=appeared,
                frames=take.frames,
                open=spec == open_spec,
                ready=abs(now - grew) >= STILL_FOR_S,  # clocks are set back, too
                verdict=self._verdicts.get(whole_spec(spec), ""),
                problem=self._problems.get(take, ""),
            )
            for name, (spec, (take, appeared, grew)) in zip(named, self._seen.items(), strict=True)
        ]
        return sorted(listed, key=lambda take: (-take.at, take.name))

    def look(self) -> list[Found]:
        """Look through the folder and the take log. May block: on a thread of its own."""
        found = look(self.folder, complain=self._complain)
        self._try_new(found)
        path = take_log(self.service)
        try:
            judged = (path, path.stat().st_mtime)
            if judged != self._judged:
                self._verdicts, self._judged = TakeLog(path).verdicts(), judged
        except OSError:
            self._verdicts, self._judged = {}, None
        except VerdigrisError as error:
            self._complain(f"the take log: {error}")
        return found

    def _try_new(self, found: list[Found]) -> None:
        """Open the headers of takes that are new or have changed, the newest first, some a look."""
        self._problems = {take: self._problems[take] for take in found if take in self._problems}
        now, open_spec = self.clock(), str(self.service.opened.shot.spec)
        new = [
            take
            for take in found
            if take not in self._problems
            and take.spec != open_spec
            and abs(now - take.changed) >= STILL_FOR_S
        ]
        if not new:
            return
        with Apart(nice=GIVE_WAY) as apart:
            for take in sorted(new, key=lambda take: -take.changed)[:TRIED_A_LOOK]:
                problem = ""
                try:
                    apart.call(take.spec, open_shot, take.spec, **self.maker.shot_options())
                except VerdigrisError as error:
                    problem = self._named(str(error))
                self._problems[take] = problem

    def _named(self, sentence: str) -> str:
        """A sentence for pages: with names as the list has them, not where they lie."""
        return sentence.replace(f"{self.folder}{os.sep}", "")[:300]

    def _complain(self, text: str) -> None:
        if text not in self._told and len(self._told) < MAX_TOLD:
            self._told.add(text)
            log.warning("%s", text)

    async def run(self) -> None:
        """Look every few seconds until cancelled."""
        try:
            await self._run()
        finally:
            self._apart.close()

    async def _run(self) -> None:
        while True:
            try:
                if self.take_in(await asyncio.to_thread(self.look)):
                    self.service.broadcast(Takes(takes=self.service.takes), "takes")
            except Exception:
                log.exception("looking for takes failed")
            await asyncio.sleep(LOOK_EVERY_S)

    def read(self, name: str) -> Shot:
        """Open a take's files only; on any thread."""
        return self._opened(self._spec(name), None)

    def _opened(self, spec: str, recipe: Recipe | None) -> Shot:
        return self._apart.call(spec, open_shot, spec, **self.maker.shot_options(recipe))

    def _spec(self, name: str) -> str:
        spec = str(self.folder / name)
        if spec not in self._seen:
            raise VerdigrisError("there is no such take: choose one of the list")
        return spec

    async def open(self, name: str, keep_recipe: bool) -> None:
        """Open a take: with its own recipe if it has one, else with the present one."""
        spec = self._spec(name)
        service, maker = self.service, self.maker
        current = service.session.recipe
        shot = await asyncio.to_thread(self._opened, spec, current if keep_recipe else None)
        recipes = maker.recipes(shot, None)
        saved = await asyncio.to_thread(recipes.load)
        first = _carried(current) if keep_recipe else maker.options.first_recipe()
        recipe = saved[0] if saved is not None else first
        opened = maker.open(shot)
        maker.thread.submit(Urgency.PICTURE, lambda: opened.display(recipe))
        notes = NoteBoard(recipes.path.with_suffix(".notes.json"))
        service.switch(opened, recipe, recipes, notes)
        recipes.changed(recipe, service.session.revision, f"open {shot.name}")
        self.take_in([found for found, _, _ in self._seen.values()])
        service.broadcast(Takes(takes=service.takes), "takes")


def _carried(recipe: Recipe) -> Recipe:
    """Return a recipe for another take: without the denoised pass, which shows the take before."""
    carried = recipe.model_copy(deep=True)
    carried.source.denoised_path = carried.source.denoised_colourspace = ""
    return carried


def newest(folder: Path, *, deinterlace: bool = False) -> str | None:
    """Return the SHOT of the newest take under a folder that can be read, or None without takes.

    One that is still being written does not keep the service from starting with the one before; if
    none can be read, the newest is returned, and opening it tells why.
    """
    takes = sorted(look(folder), key=lambda take: -take.changed)
    with Apart() as apart:
        for take in takes:
            try:
                options = {"missing": "hold", "deinterlace": deinterlace}
                apart.call(take.spec, open_shot, take.spec, **options)
            except VerdigrisError as error:
                log.warning("passed over for now: %s", error)
            else:
                return take.spec
    return takes[0].spec if takes else None

"""What a service is made from, and how it opens shots: the first one and further ones."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from kernels.engines import EngineChoice
from kernels.recipe import Recipe, starting_recipe
from server.config import Settings
from server.editing.recipes_store import RecipeStore
from server.media import Shot, open_shot
from server.media.decode import DecodePool
from server.media.roots import MediaRoots
from server.pictures.renderer import RenderThread
from server.pictures.resident import ResidentShot
from server.store.frames import FrameStore
from server.store.pools import file_stamp
from server.timing import Timing
from server.words import safe_name

UNSAVED = "changes are not saved at present: the service's own output tells why"


@dataclass(frozen=True)
class ServeOptions:
    """What to serve. recipe: the file worked on; None: one of the shot's own in the data folder."""

    shot: str
    recipe: Path | None = None
    clean_plate: Path | None = None
    background: Path | None = None
    colourspace: str = ""
    deinterlace: bool = False
    roots: tuple[Path, ...] = ()
    renders: Path | None = None
    metrics: bool = False
    cert: Path | None = None
    key: Path | None = None
    hosts: tuple[str, ...] = ()
    watched: Path | None = None
    """folder whose new shots appear by themselves"""
    take_over: bool = False
    """work on the recipe though another service does: that one saves no more"""
    first_recipe: Callable[[], Recipe] = field(default=starting_recipe)


@dataclass(frozen=True)
class Folders:
    """Where a service keeps what it makes."""

    data: Path
    renders: Path

    @property
    def plates(self) -> Path:
        """Clean plates and denoised passes that jobs have made: a media root."""
        return self.data / "plates"

    @property
    def jobs(self) -> Path:
        """Reports and pictures of jobs, a folder each."""
        return self.data / "jobs"


@dataclass
class ServiceMaker:
    """Makes the parts of a service; keeps what is needed to open further shots."""

    options: ServeOptions
    settings: Settings
    choice: EngineChoice
    thread: RenderThread
    store: FrameStore
    roots: MediaRoots
    timing: Timing
    say: Callable[[str], None]
    folders: Folders
    trouble: str = ""
    """what every page is to be told while it lasts: that nothing is saved"""
    _shots_opened: int = 0

    def open(self, shot: Shot) -> ResidentShot:
        """Open a shot for pictures."""
        self._shots_opened += 1
        opened = ResidentShot(
            shot,
            self._shots_opened,
            self.choice.engine,
            self.store,
            self.roots,
            self.settings.ocio or None,
            self.settings.decode_timeout_s,
        )
        workers = self.settings.decode_workers
        pool = DecodePool(shot, workers, self.settings.decode_timeout_s)
        self.store.open(
            opened.plate,
            pool,
            (shot.height, shot.width),
            workers=workers,
            stamp=lambda frame: file_stamp(shot, frame),
        )
        return opened

    def recipes(self, shot: Shot, path: Path | None) -> RecipeStore:
        """Return the store of a shot's recipe."""
        library = self.folders.data / "recipes"
        return RecipeStore(
            path or self.recipe_path(shot),
            library,
            on_error=self._saving,
            take_over=self.options.take_over,
        )

    def _saving(self, failed: str) -> None:
        if failed:
            self.say(failed)
        self.trouble = UNSAVED if failed else ""

    def recipe_path(self, shot: Shot) -> Path:
        """Return where a shot's recipe is kept when no file was named."""
        tag = hashlib.sha256(str(Path(shot.spec).absolute()).encode()).hexdigest()[:8]
        name = f"{safe_name(shot.name)}-{tag}.json"
        return self.folders.data / "shots" / name

    def shot(self, spec: str, recipe: Recipe | None = None) -> Shot:
        """Open a shot's files."""
        return open_shot(spec, **self.shot_options(recipe))

    def shot_options(self, recipe: Recipe | None = None) -> dict[str, Any]:
        """Return how shots are opened, as options of `open_shot`."""
        source = recipe.source if recipe is not None else None
        space = self.options.colourspace or (source.colourspace if source else "")
        space = space or self.settings.colourspace
        return {
            "colourspace": space or None,
            "ocio": self.settings.ocio or None,
            "fps": self.settings.fps or None,
            "plate_alpha": source.plate_alpha if source else "ignore",
            "missing": "hold",
            "deinterlace": self.options.deinterlace,
        }

"""The shots of the watched folder in the running service: pages hear of them and open them."""

from __future__ import annotations

import asyncio
import logging

from kernels.errors import VerdigrisError
from kernels.recipe import Recipe
from server.editing.notes import NoteBoard
from server.media import Shot, open_shot
from server.media.apart import Apart
from server.pictures.renderer import Urgency
from server.service.service import Service
from server.service.take_list import take_log
from server.service.watch import Watch
from server.wire.replies import Watched

log = logging.getLogger("verdigris.watch")
LOOK_EVERY_S = 2.0


async def watch(service: Service) -> None:
    """Look every few seconds until cancelled; ends at once where no folder is watched."""
    while service.watch is not None:
        try:
            found = await asyncio.to_thread(service.watch.look, take_log(service))
            spec, options = str(service.opened.shot.spec), service.maker.shot_options()
            await asyncio.to_thread(service.watch.try_new, found, spec, options)
            if service.watch.note(found, str(service.opened.shot.spec)):
                service.broadcast(Watched(shots=service.watch.shots))
        except Exception:
            log.exception("looking for new shots failed")
        await asyncio.sleep(LOOK_EVERY_S)


def read_watched(service: Service, name: str) -> Shot:
    """Open a shot's files only; on any thread. May block."""
    return _opened_apart(service, _watch_of(service).spec(name), None)


def _opened_apart(service: Service, spec: str, recipe: Recipe | None) -> Shot:
    """Open a shot's files in another process: one that ends it must not end the service."""
    with Apart() as apart:
        return apart.call(spec, open_shot, spec, **service.maker.shot_options(recipe))


async def open_watched(service: Service, name: str, keep_recipe: bool) -> None:
    """Open a shot: with its own recipe if it has one, else with the present one."""
    watch, maker = _watch_of(service), service.maker
    spec, current = watch.spec(name), service.session.recipe
    like = current if keep_recipe else None
    shot = await asyncio.to_thread(_opened_apart, service, spec, like)
    await service.closed()
    if service.recipes.path == maker.recipe_path(shot):
        await _again(service, shot)
        return
    recipes = maker.recipes(shot, None)
    try:
        saved = await asyncio.to_thread(recipes.load)
    except BaseException:  # its lock must not stay behind
        service.close_later(recipes.close)
        raise
    first = _carried(current) if keep_recipe else maker.options.first_recipe()
    recipe = saved[0] if saved is not None else first
    opened = maker.open(shot)
    maker.thread.submit(Urgency.PICTURE, lambda: opened.display(recipe))
    notes = NoteBoard(recipes.path.with_suffix(".notes.json"))
    service.switch(opened, recipe, recipes, notes)
    recipes.changed(recipe, service.session.revision, f"open {shot.name}")
    watch.note_open(str(shot.spec))
    service.broadcast(Watched(shots=watch.shots))


async def _again(service: Service, shot: Shot) -> None:
    """Read the shot that is open once more: its recipe and notes go on as they are."""
    opened, recipe = service.maker.open(shot), service.session.recipe
    service.maker.thread.submit(Urgency.PICTURE, lambda: opened.display(recipe))
    service.switch(opened, recipe, service.recipes, service.notes)


def _watch_of(service: Service) -> Watch:
    if service.watch is None:
        raise VerdigrisError("this service does not watch a folder")
    return service.watch


def _carried(recipe: Recipe) -> Recipe:
    """Return a recipe for another shot: without the denoised pass, which is the shot before's."""
    carried = recipe.model_copy(deep=True)
    carried.source.denoised_path = carried.source.denoised_colourspace = ""
    return carried

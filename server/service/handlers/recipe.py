"""Messages that change, save and load the recipe."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Coroutine
from typing import Any

from kernels.errors import VerdigrisError
from kernels.recipe import Recipe
from kernels.recipe_file import load_recipe
from server.editing.session import Outcome
from server.service.clients import Client
from server.service.handlers.dispatch import handle
from server.service.service import Service
from server.wire import messages as m
from server.wire.replies import Done, Problem, Recipes


@handle.register
def write(message: m.Write, service: Service, client: Client) -> None:
    _settle(
        service,
        client,
        service.session.write(client.client, message, client.name),
        message.label,
        message.gesture,
    )


@handle.register
def undo(message: m.Undo, service: Service, client: Client) -> None:
    outcome = service.session.undo(client.client, message.client_seq, client.name)
    _settle(service, client, outcome, "undo", told="")


@handle.register
def redo(message: m.Redo, service: Service, client: Client) -> None:
    outcome = service.session.redo(client.client, message.client_seq, client.name)
    _settle(service, client, outcome, "redo", told="")


def _settle(
    service: Service,
    client: Client,
    outcome: Outcome,
    label: str,
    gesture: str = "",
    told: str | None = None,
) -> None:
    """Answer a write; when it was accepted, tell the others and make pictures of it."""
    service.timing.writes.labels(outcome.answer.type).inc()
    if outcome.news is not None:
        now = service.now()
        service.scheduler.lead(client.client, now)
        service.recipe_changed(label, gesture)
        client.write_times.append((outcome.news.revision, client.heard_at))
        service.pump()
        service.broadcast(outcome.news, but=client.client if told is None else told)
        client.send_along(outcome.answer)
    else:
        client.send(outcome.answer)


def _in_background(
    client: Client,
    message: m.RecipesAsk | m.RecipeSaveAs | m.RecipeLoad,
    work: Callable[[], Coroutine[Any, Any, None]],
) -> None:
    """Run work that waits for the disk; what is wrong is told to the page."""

    async def run() -> None:
        try:
            await work()
        except VerdigrisError as error:
            client.send(Problem(code="invalid", message=str(error), about=message.id))

    client.carry_out(message, run)


@handle.register
def list_recipes(message: m.RecipesAsk, service: Service, client: Client) -> None:
    _in_background(client, message, lambda: _tell_recipes(service, client, message.id))


@handle.register
def save_recipe_as(message: m.RecipeSaveAs, service: Service, client: Client) -> None:
    recipe, store = service.session.recipe, service.recipes
    store.named(message.name)

    async def work() -> None:
        await asyncio.to_thread(store.save_as, recipe, message.name)
        await _tell_recipes(service, client, message.id)

    _in_background(client, message, work)


async def _tell_recipes(service: Service, client: Client, request: str) -> None:
    store = service.recipes
    saved, history = await asyncio.to_thread(lambda: (store.saved(), store.history()))
    client.send(Recipes(id=request, saved=saved, history=history))


@handle.register
def load_saved_recipe(message: m.RecipeLoad, service: Service, client: Client) -> None:
    """Load a recipe as one step of undo, whatever others are doing."""
    store, step, name = service.recipes, message.history, message.name

    async def work() -> None:
        if step is not None:
            recipe, label = await asyncio.to_thread(store.from_history, step), "an earlier step"
        elif name:
            recipe, label = await asyncio.to_thread(load_recipe, store.named(name)), f"load {name}"
        else:
            raise VerdigrisError("say which recipe: a name, or a step of the history")
        _put_in_place(service, client, recipe, label)
        client.send(Done(id=message.id, message=label))

    _in_background(client, message, work)


def _put_in_place(service: Service, client: Client, recipe: Recipe, label: str) -> None:
    write = m.Write(
        type="write",
        client_seq=0,
        seen=service.session.revision,
        label=label[:80],
        ops=[m.SetOp(op="set", path="", value=recipe.dump())],
    )
    writer = f"{client.client}:load:{time.monotonic_ns()}"
    outcome = service.session.write(writer, write, client.name)
    if outcome.news is None:
        raise VerdigrisError(getattr(outcome.answer, "message", "the recipe cannot be used"))
    service.recipe_changed(label)
    service.pump()
    service.tell_state()

"""Messages that change, save and load the recipe."""

from __future__ import annotations

import time

from kernels.errors import VerdigrisError
from kernels.recipe_file import load_recipe
from server import messages as m
from server.clients import Client
from server.handlers.dispatch import handle
from server.replies import Done, Recipes
from server.service import Service
from server.session import Outcome


@handle.register
def _(message: m.Write, service: Service, client: Client) -> None:
    _settle(
        service,
        client,
        service.session.write(client.client, message, client.name),
        message.label,
        message.gesture,
    )


@handle.register
def _(message: m.Undo, service: Service, client: Client) -> None:
    outcome = service.session.undo(client.client, message.client_seq, client.name)
    _settle(service, client, outcome, "undo", told="")


@handle.register
def _(message: m.Redo, service: Service, client: Client) -> None:
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
        client.write_times.append((outcome.news.revision, now))
        service.pump()
        paths = tuple(change.path for change in outcome.news.changes)
        service.broadcast(
            outcome.news,
            ("changed", gesture, paths) if gesture else None,
            but=client.client if told is None else told,
        )
    client.send(outcome.answer)


@handle.register
def _(message: m.RecipesAsk, service: Service, client: Client) -> None:
    _tell_recipes(service, client, message.id)


@handle.register
def _(message: m.RecipeSaveAs, service: Service, client: Client) -> None:
    service.recipes.save_as(service.session.recipe, message.name)
    _tell_recipes(service, client, message.id)


def _tell_recipes(service: Service, client: Client, request: str) -> None:
    client.send(
        Recipes(id=request, saved=service.recipes.saved(), history=service.recipes.history())
    )


@handle.register
def _(message: m.RecipeLoad, service: Service, client: Client) -> None:
    """Load a recipe as one step of undo, whatever others are doing."""
    if message.history is not None:
        recipe, label = service.recipes.from_history(message.history), "back to an earlier step"
    elif message.name:
        recipe, label = load_recipe(service.recipes.named(message.name)), f"load {message.name}"
    else:
        raise VerdigrisError("say which recipe: a name, or a step of the history")
    write = m.Write(
        type="write",
        client_seq=0,
        seen=service.session.revision,
        label=label[:80],
        ops=[m.SetOp(op="set", path="", value=recipe.dump())],
    )
    outcome = service.session.write(
        f"{client.client}:load:{time.monotonic_ns()}", write, client.name
    )
    if outcome.news is None:
        raise VerdigrisError(getattr(outcome.answer, "message", "the recipe cannot be used"))
    service.recipe_changed(label)
    service.pump()
    service.tell_state()
    client.send(Done(id=message.id, message=label))

"""Which function carries out which message. Runs on the event loop's thread."""

from __future__ import annotations

from functools import singledispatch
from typing import Any, Literal

from kernels.errors import VerdigrisError
from server.editing.notes import NotesError
from server.service.clients import Client
from server.service.service import Service
from server.wire import messages as m
from server.wire.replies import Problem, Refused


def receive(service: Service, client: Client, message: m.ClientMessage) -> None:
    """Carry out one message of a page; whatever is wrong with it is told to the page."""
    about = str(getattr(message, "id", None) or message.type)
    if message.only_for not in (None, client.role):
        _refuse_role(client, message, about)
        return
    if not client.may_send(message, about):
        return
    if isinstance(message, m.Edit) and service.recipes.read_only:
        _refuse_edit(client, message, "locked", service.recipes.read_only)
        return
    try:
        handle(message, service, client)
    except (VerdigrisError, NotesError) as error:
        client.send(Problem(code="invalid", message=str(error), about=about))


def _refuse_role(client: Client, message: m.ClientMessage, about: str) -> None:
    if isinstance(message, m.Edit):
        told = "reviewers look on; only an operator changes the recipe"
        _refuse_edit(client, message, "role", told)
    else:
        client.send(Problem(code="role", message="only an operator may do this", about=about))


def _refuse_edit(
    client: Client, message: m.Edit, reason: Literal["role", "locked"], told: str
) -> None:
    refused = Refused(client_seq=message.client_seq, revision=0, reason=reason, message=told)
    client.send(refused)


@singledispatch
def handle(message: Any, service: Service, client: Client) -> None:
    """Carry out a message, by its type."""
    client.send(
        Problem(code="protocol", message="this message is out of place", about=str(message.type))
    )

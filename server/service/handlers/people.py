"""Messages about notes, links and devices."""

from __future__ import annotations

import time

import segno

from server.service.clients import Client
from server.service.handlers.dispatch import handle
from server.service.service import Service
from server.wire import messages as m
from server.wire.protocol import Closed
from server.wire.replies import Link, NoteChanged, NoteGone, Pong


@handle.register
def add_note(message: m.NoteAdd, service: Service, client: Client) -> None:
    note = service.notes.add(message, client.device.device, client.name, client.role)
    service.broadcast(NoteChanged(note=note))


@handle.register
def edit_note(message: m.NoteEdit, service: Service, client: Client) -> None:
    note = service.notes.edit(message, client.device.device, client.role)
    service.broadcast(NoteChanged(note=note))


@handle.register
def remove_note(message: m.NoteRemove, service: Service, client: Client) -> None:
    service.notes.remove(message.note, client.device.device, client.role)
    service.broadcast(NoteGone(note=message.note))


@handle.register
def make_link(message: m.LinkAsk, service: Service, client: Client) -> None:
    url = f"{service.address}/join#{service.gate.make_link(message.role, client.device.device)}"
    qr = segno.make(url, micro=False).svg_data_uri(scale=4, dark="#000", light="#fff")
    client.send(Link(id=message.id, role=message.role, url=url, qr=qr))


@handle.register
def revoke(message: m.Revoke, service: Service, client: Client) -> None:
    own = client.device.device
    gone: list[str] = []
    if message.device is not None and message.device != own:
        gone = service.gate.revoke_device(message.device)
    elif message.role is not None:
        gone = service.gate.revoke_role(message.role, own)
    for other in service.clients.values():
        if other.device.device in gone:
            other.end_now(Closed.SIGNED_OUT, "revoked", "this link was revoked by the operator")
    service.tell_people()


@handle.register
def answer_ping(message: m.Ping, service: Service, client: Client) -> None:
    client.send(Pong(t=message.t, server_time=time.time()))

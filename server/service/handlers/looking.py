"""Messages about what a page shows: views, acknowledgements, frames."""

from __future__ import annotations

from server.pictures.playback import PlayClock
from server.service.clients import Client
from server.service.handlers.dispatch import handle
from server.service.service import Service
from server.wire import messages as m
from server.wire.replies import Following


@handle.register
def show(message: m.Show, service: Service, client: Client) -> None:
    service.scheduler.show(client.client, message, service.now())
    _tell_following(service, client)
    service.pump()


@handle.register
def unshow(message: m.Unshow, service: Service, client: Client) -> None:
    service.scheduler.unshow(client.client, message.port)
    _tell_following(service, client)


def _tell_following(service: Service, client: Client) -> None:
    """Tell the reviewers that follow this operator what is looked at."""
    if service.scheduler.leader != client.client:
        return
    news = Following(ports=service.scheduler.following_shows())
    for viewer in service.scheduler.viewers.values():
        if viewer.following:
            service.clients[viewer.client].send(news)


@handle.register
def acknowledge(message: m.Ack, service: Service, client: Client) -> None:
    if message.latency_ms is not None:
        service.timing.add("control_to_picture", message.latency_ms / 1000)
    if service.scheduler.acknowledge(client.client, message.sequence):
        service.pump_soon()


@handle.register
def hide(message: m.Hidden, service: Service, client: Client) -> None:
    service.scheduler.hide(client.client, message.hidden)
    service.tell_people()
    service.pump()


@handle.register
def reset(message: m.Reset, service: Service, client: Client) -> None:
    service.scheduler.reset(client.client)
    service.pump()


@handle.register
def follow(message: m.Follow, service: Service, client: Client) -> None:
    service.scheduler.follow(client.client, message.on, service.now())
    client.send(Following(ports=service.scheduler.following_shows()))
    service.tell_playhead(client.client)
    service.tell_people()
    service.pump()


@handle.register
def transport(message: m.Transport, service: Service, client: Client) -> None:
    now = service.now()
    viewer = service.scheduler.viewers[client.client]
    if client.role == "operator":
        service.scheduler.lead(client.client, now)
        service.scheduler.clock.apply(message, now)
        service.tell_playhead()
    else:
        if viewer.clock is None:
            shared = service.scheduler.clock
            viewer.clock = PlayClock(shared.frames, fps=shared.fps)
            viewer.clock.apply(m.Transport(type="transport", frame=shared.frame_at(now)), now)
            service.scheduler.follow_own(client.client)
            service.tell_people()
        viewer.clock.apply(message, now)
        service.tell_playhead(client.client)
    service.pump()

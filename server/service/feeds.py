"""What is told by the clock: status, cached frames, playheads, scopes, devices that are out."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Hashable

from cachetools import LRUCache

from server.pictures.renderer import Urgency
from server.pictures.scopes import scope
from server.service.clients import Client
from server.service.service import Service
from server.store.frame_types import NotReadyError
from server.wire.messages import Scopes
from server.wire.protocol import Closed
from server.wire.replies import Scope

log = logging.getLogger("verdigris.feeds")
TICK_S = 0.1
STATUS_EVERY = 10
CACHED_EVERY = 3
QUIET_S = 0.3
"""on the cpu engine scopes wait this long after a change, so that they do not slow a drag down"""


async def run_feeds(service: Service) -> None:
    """Run until cancelled; a failing round is logged and the next one tried."""
    scopes = ScopeFeed(service)
    count = 0
    while True:
        await asyncio.sleep(TICK_S)
        count += 1
        try:
            await scopes.tick()
            if count % CACHED_EVERY == 0:
                service.tell_cached()
            if count % STATUS_EVERY == 0:
                _second(service)
        except Exception:
            log.exception("telling clients failed")


def _second(service: Service) -> None:
    service.tell_status()
    if service.scheduler.clock.playing:
        service.tell_playhead()
    for client in list(service.clients.values()):
        if not service.gate.is_valid(client.device):
            client.end_now(
                Closed.SIGNED_OUT, "expired", "this device's time is over: open a new link"
            )
    _refresh(service)
    service.pump()


def _refresh(service: Service) -> None:
    """Read the present frame again if its file has changed."""
    if service.scheduler.clock.playing or not service.clients:
        return
    frame = service.pictures.existing(service.scheduler.clock.frame_at(service.now()))
    needs = service.opened.needs(service.session.recipe, frame)
    changed = [service.store.refresh(need) for need in needs]
    if any(changed):
        service.scheduler.remake(service.now())


class ScopeFeed:
    """Scopes for those who asked: newest only, one on the way to a client, equal ones shared."""

    def __init__(self, service: Service) -> None:
        self.service = service
        self._made: LRUCache[Hashable, Scope] = LRUCache(8)
        self._sequence = 0

    async def tick(self) -> None:
        """Make and send what has changed since it was last sent."""
        service, now = self.service, self.service.now()
        quiet = now - service.scheduler.changed_at > QUIET_S
        for client in list(service.clients.values()):
            viewer = service.scheduler.viewers.get(client.client)
            asked = client.scopes
            if asked is None or viewer is None or viewer.hidden or client.scope_waiting:
                continue
            if service.engine.abilities.uses_cores and not quiet and client.scope_sent is not None:
                continue
            clock = viewer.clock or service.scheduler.clock
            frame = service.pictures.existing(clock.frame_at(now))
            key = (
                service.scheduler.remakes,
                service.session.revision,
                frame,
                tuple(asked.kinds),
                asked.name,
                asked.extractor,
            )
            if key != client.scope_sent:
                await self._serve(client, asked, frame, key)

    async def _serve(self, client: Client, asked: Scopes, frame: int, key: Hashable) -> None:
        service = self.service
        if key not in self._made:
            needs = service.opened.needs(service.session.recipe, frame)
            if not all(service.store.ready(need) for need in needs):
                return
            opened, recipe = service.opened, service.session.recipe
            revision = service.session.revision
            future = service.thread.submit(
                Urgency.SCOPE,
                lambda: scope(
                    opened, recipe, revision, frame, asked.name, asked.extractor, list(asked.kinds)
                ),
            )
            try:
                self._made[key] = await asyncio.wrap_future(future)
            except NotReadyError:
                return
        if client.client not in service.clients or client.scopes is not asked:
            return
        self._sequence += 1
        client.scope_sent, client.scope_waiting = key, self._sequence
        made = self._made[key].model_copy(update={"sequence": self._sequence})
        client.send(made)

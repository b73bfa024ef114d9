"""Who gets which picture next. Pure logic: time and rendering come from outside.

Whenever the renderer is free, `next` looks at what every client wants *now* and picks one picture
to make; what nobody wants any more is never made. A client takes part only while its window has a
free place, so a stalled one drops pictures before they are rendered. When nothing changes, every
client ends on the full-quality picture of the newest revision.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from server.pictures.keys import (
    FrameSize,
    Picture,
    PictureCache,
    PictureKey,
    Quality,
)
from server.pictures.playback import PlayClock
from server.pictures.viewers import Delivery, Port, Recipient, Viewer
from server.wire.messages import Role, Show

REST_S = 0.150
ACTING_S, SHARE_S = 0.3, 0.25
"""for how long after a change an operator counts as acting; then reviewers who do not follow get
one picture in SHARE_S, all together"""
PATIENCE_S = 0.5
"""a client waiting this long moves up one class"""


FrameFor = Callable[[int, PlayClock, bool], int | None]
"""(frame, clock, for an operator) -> the frame to show now, or None while it is being decoded"""


class Scheduler:
    """Decides; `deliver` carries out. All methods take the present time in seconds."""

    def __init__(
        self,
        size: FrameSize,
        clock: PlayClock,
        *,
        deliver: Callable[[Delivery], None],
        frame_for: FrameFor = lambda frame, clock, operator: frame,
        cache: PictureCache | None = None,
    ) -> None:
        self.size = size
        self.clock = clock
        self.remakes = 0
        self.revision = 1
        self.changed_at = float("-inf")
        self.leader: str | None = None
        self._let_in_at = float("-inf")
        self.viewers: dict[str, Viewer] = {}
        self.cache = cache or PictureCache()
        self.flights: dict[PictureKey, list[Recipient]] = {}
        self._wishes_made = 0
        self._deliver = deliver
        self._frame_for = frame_for

    # ------------------------------------------------------------ what happens to clients

    def add(self, client: str, role: Role) -> Viewer:
        """Take in a client; one that comes back begins afresh."""
        self.remove(client)
        viewer = Viewer(client, role, following=role == "reviewer")
        self.viewers[client] = viewer
        if role == "operator" and self.leader is None:
            self.leader = client
        return viewer

    def remove(self, client: str) -> None:
        """Forget a client; renders under way for it go on for the others."""
        self.viewers.pop(client, None)
        for key, recipients in self.flights.items():
            self.flights[key] = [
                recipient for recipient in recipients if recipient.client != client
            ]
        if self.leader == client:
            operators = (v.client for v in self.viewers.values() if v.role == "operator")
            self.leader = next(operators, None)

    def show(self, client: str, show: Show, now: float) -> None:
        """A port shall show something (else)."""
        viewer = self.viewers[client]
        port = viewer.ports.get(show.port)
        if port is None:
            viewer.ports[show.port] = Port(show)
        else:
            port.show = show
        viewer.moved_at = now
        self.lead(client, now)

    def unshow(self, client: str, port: int) -> None:
        """A port is closed."""
        self.viewers[client].ports.pop(port, None)

    def lead(self, client: str, now: float) -> None:
        """An operator acts: reviewers that follow, follow this one from now on."""
        if self.viewers[client].role == "operator" and self.viewers[client].ports:
            self.leader = client
            for viewer in self.viewers.values():
                if viewer.following:
                    viewer.moved_at = max(viewer.moved_at, self.viewers[client].moved_at)

    def follow(self, client: str, on: bool, now: float) -> None:
        """A reviewer follows the operator, or looks by itself from the present frame on."""
        viewer = self.viewers[client]
        viewer.moved_at = now
        viewer.following = on and viewer.role == "reviewer"
        if viewer.following:
            viewer.clock = None

    def follow_own(self, client: str) -> None:
        """A reviewer moves its own playhead and thereby no longer follows."""
        self.viewers[client].following = False

    def hide(self, client: str, hidden: bool) -> None:
        """A hidden page gets nothing."""
        self.viewers[client].hidden = hidden

    def reset(self, client: str) -> None:
        """Forget what is on the way to a client and send afresh."""
        viewer = self.viewers[client]
        viewer.window.reset()
        for port in viewer.ports.values():
            port.sent = None

    def acknowledge(self, client: str, sequence: int) -> bool:
        """A picture was drawn."""
        return self.viewers[client].window.acknowledge(sequence)

    def flushed(self, client: str, sequence: int, now: float) -> None:
        """The socket has taken a picture."""
        viewer = self.viewers.get(client)
        if viewer is not None:
            viewer.window.flushed(sequence, now)

    # ------------------------------------------------------------ what happens to the work

    def changed(self, revision: int, now: float) -> None:
        """The recipe has a new revision."""
        self.revision = revision
        self.changed_at = now
        self.cache.keep_only(self.remakes, revision)

    def remake(self, now: float) -> None:
        """Something outside recipe and frame has changed: all pictures are made anew."""
        self.remakes += 1
        self.changed_at = now
        self.cache.keep_only(self.remakes, self.revision)

    def opened(self, size: FrameSize, clock: PlayClock, now: float) -> None:
        """Another shot is open: nothing made before counts any more."""
        self.size, self.clock = size, clock
        self.remake(now)
        for viewer in self.viewers.values():
            viewer.clock = None

    def finished(self, key: PictureKey, picture: Picture | None, now: float) -> None:
        """A picture that `next` gave out is made; None: it failed and is not tried again."""
        recipients = self.flights.pop(key, [])
        if picture is not None and (key.remakes, key.revision) == (self.remakes, self.revision):
            self.cache.put(key, picture)
        for recipient in recipients:
            viewer = self.viewers[recipient.client]
            port = viewer.ports.get(recipient.port)
            if port is not None and key in port.pending:
                port.pending.remove(key)
            overtaken = port is not None and self._overtaken(viewer, port, recipient, key, now)
            if port is None or picture is None or overtaken:
                viewer.window.release()
                if port is not None and not overtaken:
                    port.sent = key
                continue
            self._send(viewer, recipient, key, picture, now)

    def _overtaken(
        self, viewer: Viewer, port: Port, recipient: Recipient, key: PictureKey, now: float
    ) -> bool:
        """Tell whether a port shows something newer, or again what it should show."""
        if recipient.order < port.sent_order:
            return True
        return port.sent not in (None, key) and port.sent == self.wanted(
            viewer, recipient.port, now
        )

    def retry(self, key: PictureKey) -> None:
        """A picture could not be made yet: its recipients ask again."""
        for recipient in self.flights.pop(key, []):
            viewer = self.viewers[recipient.client]
            viewer.window.release()
            port = viewer.ports.get(recipient.port)
            if port is not None and key in port.pending:
                port.pending.remove(key)

    def _send(
        self, viewer: Viewer, recipient: Recipient, key: PictureKey, picture: Picture, now: float
    ) -> None:
        port = viewer.ports[recipient.port]
        port.sent, port.sent_order = key, recipient.order
        port.sent_sequence = viewer.window.hand_over()
        port.served_at, port.waiting_since = now, None
        self._deliver(
            Delivery(
                viewer.client,
                recipient.port,
                recipient.view_id,
                port.sent_sequence,
                key,
                picture,
            )
        )

    def _recipient(self, viewer: Viewer, number: int) -> Recipient:
        """Return a new wish of a port, and keep a place in the window for it."""
        viewer.window.reserve()
        self._wishes_made += 1
        view_id = viewer.ports[number].show.view_id
        return Recipient(viewer.client, number, view_id, self._wishes_made)

    # ------------------------------------------------------------ what is to be done

    def wanted(self, viewer: Viewer, number: int, now: float) -> PictureKey | None:
        """Return the picture a port should show now; None if it cannot be told yet."""
        show = self._shown(viewer, number)
        if show is None:
            return None
        clock = viewer.clock or self.clock
        operator = viewer.role == "operator" or viewer.clock is None
        frame = self._frame_for(clock.frame_at(now), clock, operator)
        if frame is None:
            return None
        own = viewer.ports.get(number) or viewer.ports[0]
        sight, width, height = own.aimed(show, own.show.width, self.size)
        key = PictureKey(self.remakes, self.revision, frame, sight, width, height, Quality.MOVING)
        settled = key.settled
        sent = viewer.ports[number].sent if number in viewer.ports else None
        if not self._moving(viewer, clock, now) or settled in self.cache or sent == settled:
            return settled
        return key

    def _moving(self, viewer: Viewer, clock: PlayClock, now: float) -> bool:
        latest = max(self.changed_at, viewer.moved_at, clock.moved_at)
        # The same sum as in `next_wake`: rounded otherwise, the last wake-up could come to nothing.
        return clock.playing or now < latest + REST_S

    def _shown(self, viewer: Viewer, number: int) -> Show | None:
        leader = self.viewers.get(self.leader or "")
        if viewer.following and leader is not None and leader.ports and viewer.ports:
            port = leader.ports.get(number)
        else:
            port = viewer.ports.get(number)
        return port.show if port else None

    def following_shows(self) -> list[Show]:
        """Return what the followed operator looks at."""
        leader = self.viewers.get(self.leader or "")
        return [port.show for _, port in sorted(leader.ports.items())] if leader else []

    def next(self, now: float, may_render: bool = True) -> PictureKey | None:
        """Give out what is made already, then return the next picture to make, or None.

        may_render: False while the renderer is busy; then nothing new is begun.
        """
        self.expire(now)
        best: tuple[tuple[int, float], PictureKey] | None = None
        asking: dict[PictureKey, list[tuple[Viewer, int]]] = {}
        for viewer, number, key in self._wishes(now):
            picture = self.cache.get(key)
            if picture is not None:
                self._send(viewer, self._recipient(viewer, number), key, picture, now)
            elif key in self.flights:
                self._join(viewer, number, key)
            else:
                asking.setdefault(key, []).append((viewer, number))
                if self._must_wait(viewer, now):
                    continue
                rank = self._rank(viewer, viewer.ports[number], now)
                if best is None or rank < best[0]:
                    best = (rank, key)
        if best is None or not may_render:
            return None
        key = best[1]
        if not any(v.role == "operator" or v.following for v, _ in asking[key]):
            self._let_in_at = now
        self.flights[key] = []
        for viewer, number in asking[key]:
            if viewer.window.free > 0:
                self._join(viewer, number, key)
                (viewer.clock or self.clock).count_shown(now)
        return key

    def _must_wait(self, viewer: Viewer, now: float) -> bool:
        """Tell whether a picture that only this reviewer looks at would hold an operator up.

        While an operator changes the recipe, all such pictures together get a small share.
        """
        if viewer.role == "operator" or viewer.following:
            return False
        return now < self.changed_at + ACTING_S and now < self._let_in_at + SHARE_S

    def _wishes(self, now: float) -> Iterator[tuple[Viewer, int, PictureKey]]:
        """Yield every port that can take a picture now and does not have what it should show."""
        for viewer in self.viewers.values():
            if viewer.hidden or not viewer.ports:
                continue
            self._mirror(viewer)
            for number, port in sorted(viewer.ports.items(), key=lambda item: item[1].served_at):
                if viewer.window.free <= 0:
                    break
                key = self.wanted(viewer, number, now)
                if key is None or key in (port.sent, *port.pending):
                    continue
                if port.waiting_since is None:
                    port.waiting_since = now
                yield viewer, number, key

    def _mirror(self, viewer: Viewer) -> None:
        """A follower has the ports that the operator has."""
        leader = self.viewers.get(self.leader or "")
        if viewer.following and leader is not None:
            for number, port in leader.ports.items():
                if number not in viewer.ports:
                    own = viewer.ports[min(viewer.ports)].show
                    show = port.show.model_copy(update={"width": own.width, "view_id": own.view_id})
                    viewer.ports[number] = Port(show)

    def _join(self, viewer: Viewer, number: int, key: PictureKey) -> None:
        self.flights[key].append(self._recipient(viewer, number))
        viewer.ports[number].pending.append(key)

    def _rank(self, viewer: Viewer, port: Port, now: float) -> tuple[int, float]:
        waiting = port.waiting_since if port.waiting_since is not None else now
        group = 0 if viewer.role == "operator" else 1 if viewer.clock is None else 2
        return group - int((now - waiting) / PATIENCE_S), port.served_at

    def expire(self, now: float) -> None:
        """Pictures whose acknowledgement is overdue are taken as lost."""
        for viewer in self.viewers.values():
            lost = viewer.window.expire(now)
            for port in viewer.ports.values():
                if port.sent_sequence in lost:
                    port.sent = None

    def next_wake(self, now: float) -> float:
        """Return when something falls due by itself; infinity if nothing does."""
        clocks = [self.clock, *(v.clock for v in self.viewers.values() if v.clock is not None)]
        times = [self.changed_at + REST_S]
        times.append(min(self.changed_at + ACTING_S, self._let_in_at + SHARE_S))
        times += [t for clock in clocks for t in (clock.next_change(now), clock.moved_at + REST_S)]
        for viewer in self.viewers.values():
            times += [viewer.moved_at + REST_S, viewer.window.next_timeout()]
        return min((t for t in times if t > now), default=float("inf"))

    def at_rest(self, now: float) -> bool:
        """Tell whether every visible client has the settled picture of the newest revision."""
        return not self.flights and all(
            (key := self.wanted(viewer, number, now)) is not None
            and port.sent == key == key.settled
            for viewer in self.viewers.values()
            if not viewer.hidden
            for number, port in viewer.ports.items()
            if self._shown(viewer, number) is not None
        )

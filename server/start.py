"""Putting a service together from settings, and running it."""

from __future__ import annotations

import asyncio
import socket
import ssl
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import uvicorn

from kernels.engines import EngineChoice, choose_engine
from kernels.errors import VerdigrisError
from kernels.recipe import Recipe
from server import gc_pauses
from server.config import Settings
from server.editing.notes import NoteBoard
from server.http.app import create_app
from server.http.careful import CarefulProtocol
from server.http.connections import Connections, CountingListener
from server.logs import tell_plainly
from server.media import Shot, open_shot
from server.media.roots import MediaRoots, where_needed
from server.pictures.renderer import RenderThread, Urgency
from server.security import Gate, is_loopback, outward_address, own_hosts, private_folder
from server.service.maker import Folders, ServeOptions, ServiceMaker
from server.service.page_jobs import PAGE_JOBS
from server.service.service import Service
from server.service.watch import Watch
from server.store.disk_tier import DiskTier
from server.store.frame_types import Budget
from server.store.frames import FrameStore
from server.timing import Timing

SEND_BUFFER = 128 * 1024
"""more would hide from us how far behind a slow client is"""
MAX_MESSAGE = 256 * 1024


class StartError(VerdigrisError):
    """The service cannot be started."""


def make_service(
    options: ServeOptions,
    settings: Settings,
    address: str = "",
    *,
    say: Callable[[str], None] = lambda _: None,
    clock: Callable[[], float] = time.time,
) -> Service:
    """Put a service together. Raises VerdigrisError in one sentence.

    address: where pages will reach it (`Listener.address`), for links. clock: when shots appear.
    """
    known = _known_recipe(options)
    probe = open_shot(
        options.shot,
        colourspace=options.colourspace or settings.colourspace or None,
        ocio=settings.ocio or None,
        missing="hold",
        fps=settings.fps or None,
        deinterlace=options.deinterlace,
    )
    for companion in (options.clean_plate, options.background):
        if companion is not None:
            open_shot(companion, ocio=settings.ocio or None, missing="hold")
    data = private_folder(Path(settings.data_dir))
    folders = Folders(data, options.renders or data / "renders")
    named = [*_root_folders(options, settings, probe), private_folder(folders.plates)]
    roots = MediaRoots([*named, *_beside_recipe(options, known, named)])
    thread, timing = RenderThread(), Timing()
    choice = thread.call(
        Urgency.PICTURE, lambda: choose_engine(settings.engine, threads=settings.threads or None)
    )
    store = FrameStore(
        thread.call(Urgency.PICTURE, lambda: budget(settings, choice)),
        on_decoded=lambda seconds: timing.add("decode", seconds),
        disk=disk_tier(settings),
        bytes_per_value=choice.engine.abilities.bytes_per_value,
    )
    maker = ServiceMaker(options, settings, choice, thread, store, roots, timing, say, folders)
    shot = probe if known is None else maker.shot(options.shot, known)
    recipes = maker.recipes(shot, options.recipe)
    found = recipes.load()
    recipe, revision = found if found is not None else (options.first_recipe(), 1)
    _put_options_in(recipe, options, roots)
    service = Service(
        maker,
        opened=maker.open(shot),
        recipe=recipe,
        revision=revision,
        recipes=recipes,
        notes=NoteBoard(recipes.path.with_suffix(".notes.json")),
        gate=Gate(data / f"devices-{settings.port}.json" if settings.port else None),
        jobs=PAGE_JOBS,
        watch=Watch(options.watched, clock) if options.watched is not None else None,
        address=address,
    )
    recipes.changed(recipe, revision, "opened")
    opened = service.opened
    thread.submit(Urgency.JOB, lambda: opened.display(recipe))
    return service


def _known_recipe(options: ServeOptions) -> Recipe | None:
    from kernels.recipe_file import load_recipe

    there = options.recipe is not None and options.recipe.exists()
    return load_recipe(options.recipe) if there and options.recipe is not None else None


def _root_folders(options: ServeOptions, settings: Settings, shot: Shot) -> list[Path]:
    folders = [*options.roots, *(Path(root) for root in settings.media_roots)]
    for path in [*shot.source_files()[:1], options.clean_plate, options.background]:
        if path is not None:
            folders.append(path.parent if not path.is_dir() else path)
    for folder in folders:
        if not folder.is_dir():
            raise StartError(f"media root '{folder}' is not a folder: check its path")
    return folders


def _beside_recipe(options: ServeOptions, known: Recipe | None, folders: list[Path]) -> list[Path]:
    """Return the recipe's own folder if a picture that the recipe names is only there."""
    if options.recipe is None or known is None:
        return []
    screen, source, picture = known.screen, known.source, known.assemble.background
    names = (screen.clean_plate_path, source.denoised_path, picture.path)
    return where_needed(options.recipe.resolve().parent, names, folders)


def _put_options_in(recipe: Recipe, options: ServeOptions, roots: MediaRoots) -> None:
    """Put a clean plate and a background given on the command line into the recipe."""
    if options.clean_plate is not None:
        recipe.screen.clean_plate_path = roots.name_of(options.clean_plate)
        recipe.screen.clean_plate = "file"
    if options.background is not None:
        recipe.assemble.background.path = roots.name_of(options.background)
        recipe.assemble.background.kind = "picture"


def budget(settings: Settings, choice: EngineChoice) -> Budget:
    """Return how much each tier may hold."""
    host, disk = settings.host_memory_mb << 20, settings.disk_cache_mb << 20
    if not choice.engine.abilities.own_memory:
        return Budget(host // 2, host - host // 2, disk)
    free = choice.engine.free_bytes()
    return Budget((settings.gpu_memory_mb << 20) or int(0.6 * free), host, disk)


def disk_tier(settings: Settings) -> DiskTier | None:
    """Return the disk tier, or None when it is turned off or its folder cannot be made."""
    if not settings.disk_cache_mb:
        return None
    try:
        folder = private_folder(Path(settings.cache_dir) / "frames")
        return DiskTier(folder, settings.disk_cache_mb << 20)
    except OSError:
        return None


# ---------------------------------------------------------------- running


@dataclass(frozen=True)
class Listener:
    """A socket that listens already. address: how pages reach it, scheme, host and port."""

    socket: CountingListener
    address: str

    @property
    def port(self) -> int:
        """The port, also where a free one was asked for."""
        return int(self.socket.getsockname()[1])


def listen(host: str, port: int, *, secure: bool = False) -> Listener:
    """Listen on a port, 0 for a free one. Raises StartError in one sentence."""
    sock = listening_socket(host, port)
    shown = host
    if host in ("0.0.0.0", "::"):
        shown = outward_address()
    elif is_loopback(host):
        shown = "127.0.0.1" if host == "localhost" else host
    shown = f"[{shown}]" if ":" in shown else shown
    scheme = "https" if secure else "http"
    return Listener(sock, f"{scheme}://{shown}:{sock.getsockname()[1]}")


def listening_socket(host: str, port: int) -> CountingListener:
    """Return a listening socket that counts its connections and has a small send buffer.

    Raises StartError in one sentence.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    sock = CountingListener(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    sock.connections = Connections()
    try:
        # Without it pictures wait up to 40 ms for the acknowledgement of the packet before.
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER)
        sock.bind((host, port))
        sock.listen(128)
    except OSError as error:
        sock.close()
        raise StartError(
            f"cannot listen on {host} port {port} ({error.strerror or error}): choose another with "
            "--host and --port"
        ) from error
    return sock


def check_certificate(options: ServeOptions) -> None:
    """Raise StartError in one sentence when certificate or key cannot be used."""
    if (options.cert is None) != (options.key is None):
        raise StartError("TLS needs both: --cert and --key")
    if options.cert is None:
        return
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(options.cert, options.key)
    except (OSError, ValueError) as error:
        raise StartError(
            f"the certificate '{options.cert}' with the key '{options.key}' cannot be used "
            f"({error}): give a PEM file of each that belong together"
        ) from error


def server_config(app: Any, options: ServeOptions) -> uvicorn.Config:
    """Return uvicorn's settings: no compression of pictures, small messages, quiet logs."""
    tell_plainly()
    return uvicorn.Config(
        app,
        ws=CarefulProtocol,
        ws_per_message_deflate=False,
        ws_max_size=MAX_MESSAGE,
        ws_max_queue=64,
        ws_ping_interval=20,
        ws_ping_timeout=20,
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=5,
        ssl_certfile=options.cert,
        ssl_keyfile=options.key,
        lifespan="on",
    )


class TellingServer(uvicorn.Server):
    """A server that calls a function once pages can come."""

    def __init__(self, config: uvicorn.Config, ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._ready = ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Start as ever, then tell."""
        await super().startup(sockets)
        if self.started:
            self._ready()


def run_service(
    service: Service,
    options: ServeOptions,
    host: str,
    listener: Listener,
    ready: Callable[[], None],
) -> None:
    """Serve until interrupted. host: as listened on. `ready` is called when pages can come."""
    hosts, port = own_hosts(host, options.hosts), listener.port
    app = create_app(
        service,
        hosts=lambda: hosts,
        port=lambda: port,
        metrics=options.metrics,
        connections=listener.socket.connections,
    )
    with ExitStack() as stack:

        def started() -> None:
            stack.enter_context(gc_pauses.seldom())
            ready()

        server = TellingServer(server_config(app, options), started)
        asyncio.run(server.serve(sockets=[listener.socket]))

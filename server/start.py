"""Putting a service together from settings, and running it."""

from __future__ import annotations

import asyncio
import hashlib
import socket
import ssl
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import uvicorn

from kernels.engine import EngineChoice, choose_engine
from kernels.errors import VerdigrisError
from kernels.recipe import Recipe, starting_recipe
from server import gc_pauses as collecting
from server.config import Settings
from server.editing.notes import NoteBoard
from server.editing.recipes_store import RecipeStore
from server.http.app import create_app
from server.logs import tell_plainly
from server.media import Shot, open_shot
from server.media.decode import DecodePool
from server.media.roots import MediaRoots, where_needed
from server.pictures.renderer import RenderThread, Urgency
from server.pictures.resident import OpenedShot
from server.security import Gate, is_loopback, outward_address, own_hosts, private_folder
from server.service.jobs import JobRunner
from server.service.page_jobs import PAGE_JOBS, safe_name
from server.service.service import Service
from server.store.disk_tier import DiskTier
from server.store.frame_types import Budget, FrameId
from server.store.frames import FrameStore
from server.store.pools import file_stamp
from server.timing import Timing

SEND_BUFFER = 128 * 1024
"""more would hide from us how far behind a slow client is"""
UNSAVED = "changes are not saved at present: the service's own output tells why"
MAX_MESSAGE = 256 * 1024


class StartError(VerdigrisError):
    """The service cannot be started."""


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
    first_recipe: Callable[[], Recipe] = field(default=starting_recipe)


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
    epochs: int = 0
    trouble: Callable[[str], None] = lambda _: None
    """hears what every page is to be told while it lasts; an empty text when it is over"""

    def open(self, shot: Shot) -> OpenedShot:
        """Open a shot for pictures."""
        self.epochs += 1
        opened = OpenedShot(
            shot,
            self.epochs,
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
        library = Path(self.settings.data_dir) / "recipes"
        return RecipeStore(path or self.recipe_path(shot), library, on_error=self._saving)

    def _saving(self, failed: str) -> None:
        if failed:
            self.say(failed)
        self.trouble(UNSAVED if failed else "")

    def recipe_path(self, shot: Shot) -> Path:
        """Return where a shot's recipe is kept when no file was named."""
        tag = hashlib.sha256(str(Path(shot.spec).absolute()).encode()).hexdigest()[:8]
        name = f"{safe_name(shot.name)}-{tag}.json"
        return Path(self.settings.data_dir) / "shots" / name

    def shot(self, spec: str, recipe: Recipe | None = None) -> Shot:
        """Open a shot's files."""
        return open_shot(spec, **self.shot_options(recipe))

    def shot_options(self, recipe: Recipe | None = None) -> dict[str, Any]:
        """Return how shots are opened, as options of `open_shot`."""
        source = recipe.source if recipe is not None else None
        space = self.options.colourspace or (source.colourspace if source else "")
        return {
            "colourspace": space or None,
            "ocio": self.settings.ocio or None,
            "plate_alpha": source.plate_alpha if source else "ignore",
            "missing": "hold",
            "deinterlace": self.options.deinterlace,
        }


def make_service(
    options: ServeOptions, settings: Settings, *, say: Callable[[str], None] = lambda _: None
) -> tuple[Service, ServiceMaker]:
    """Put a service together. Raises VerdigrisError in one sentence."""
    known = _known_recipe(options)
    probe = open_shot(
        options.shot,
        colourspace=options.colourspace or None,
        ocio=settings.ocio or None,
        missing="hold",
        deinterlace=options.deinterlace,
    )
    for companion in (options.clean_plate, options.background):
        if companion is not None:
            open_shot(companion, ocio=settings.ocio or None, missing="hold")
    data = private_folder(Path(settings.data_dir))
    plates = private_folder(data / "plates")
    folders = [*_root_folders(options, settings, probe), plates]
    roots = MediaRoots([*folders, *_beside_recipe(options, known, folders)])
    thread, timing = RenderThread(), Timing()
    choice = thread.call(
        Urgency.PICTURE, lambda: choose_engine(settings.engine, threads=settings.threads or None)
    )
    service: Service | None = None

    def on_ready(frame: FrameId) -> None:
        if service is not None:
            service.pictures.frame_arrived(frame)

    store = FrameStore(
        thread.call(Urgency.PICTURE, lambda: budget(settings, choice)),
        on_ready=on_ready,
        on_decoded=lambda seconds: timing.add("decode", seconds),
        disk=disk_tier(settings),
        bytes_per_value=2 if choice.engine.name == "cuda" else 5,
    )
    maker = ServiceMaker(options, settings, choice, thread, store, roots, timing, say)
    shot = probe if known is None else maker.shot(options.shot, known)
    recipes = maker.recipes(shot, options.recipe)
    found = recipes.load()
    recipe, revision = found if found is not None else (options.first_recipe(), 1)
    _take_options(recipe, options, roots)
    service = Service(
        choice=choice,
        thread=thread,
        store=store,
        opened=maker.open(shot),
        recipe=recipe,
        revision=revision,
        recipes=recipes,
        notes=NoteBoard(recipes.path.with_suffix(".notes.json")),
        gate=Gate(data / f"devices-{settings.port}.json" if settings.port else None),
        roots=roots,
        timing=timing,
    )
    service.jobs = JobRunner(PAGE_JOBS, data / "jobs", on_change=service.job_changed)
    maker.trouble = lambda text: setattr(service, "message", text)
    service.plates = plates
    service.renders = options.renders or data / "renders"
    recipes.changed(recipe, revision, "opened")
    opened = service.opened
    thread.submit(Urgency.JOB, lambda: opened.display(recipe))
    return service, maker


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


def _take_options(recipe: Recipe, options: ServeOptions, roots: MediaRoots) -> None:
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
    if choice.engine.name != "cuda":
        return Budget(host // 2, host - host // 2, disk)
    free = int(getattr(choice.engine, "free_bytes", lambda: 4 << 30)())
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


def listening_socket(host: str, port: int) -> socket.socket:
    """Return a listening socket with a small send buffer; StartError in one sentence."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    sock = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
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


def run_service(
    service: Service,
    options: ServeOptions,
    settings: Settings,
    ready: Callable[[str], None],
    sock: socket.socket | None = None,
) -> None:
    """Serve until interrupted. `ready` hears the address when the service can be reached.

    sock: one that listens already; by default one is opened as the settings say.
    """
    sock = sock or listening_socket(settings.host, settings.port)
    port = int(sock.getsockname()[1])
    secure = options.cert is not None
    shown = settings.host
    if settings.host in ("0.0.0.0", "::"):
        shown = outward_address()
    elif is_loopback(settings.host):
        shown = "127.0.0.1" if settings.host == "localhost" else settings.host
    shown = f"[{shown}]" if ":" in shown else shown
    service.address = f"{'https' if secure else 'http'}://{shown}:{port}"
    hosts = own_hosts(settings.host, options.hosts)
    app = create_app(service, hosts=lambda: hosts, port=lambda: port, metrics=options.metrics)
    server = uvicorn.Server(server_config(app, options))

    async def serve() -> None:
        task = asyncio.create_task(server.serve(sockets=[sock]))
        while not server.started and not task.done():
            await asyncio.sleep(0.02)
        with collecting.seldom():
            if not task.done():
                ready(service.address)
            await task

    asyncio.run(serve())

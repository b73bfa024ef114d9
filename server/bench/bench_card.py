"""The service on a card at UHD: changes one by one and sixty a second, with neighbourhood work and
a render beside it, playback from GPU memory and from a budget half the shot's size.

A real service on loopback; needs a card. The times are the server's own, from the message's
arrival to the picture's hand-over, except where a name says otherwise.
"""

from __future__ import annotations

import resource
import tempfile
import threading
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from kernels.engines import choose_engine
from kernels.recipe import Despeckle, Guide, Recipe, Refine
from server import gc_pauses
from server.bench import bench_service as service_bench
from server.bench.bench_client import Pages
from server.bench.service_thread import serving
from server.bench.timed_key import picture
from server.config import Settings
from server.keying.render import Renderer
from server.keying.render_job import RenderError, RenderJob
from server.media import write_exr
from server.pictures.renderer import SharedEngine
from server.service.maker import ServeOptions
from server.service.service import Service

WIDTH, HEIGHT, FRAMES = 3840, 2160, 12
SUSTAINED_S, RATE, PARTS = 60.0, 60, 6
FRAME_MB = 3 * WIDTH * HEIGHT * 2 >> 20


def neighbourhood_recipe() -> Recipe:
    """Return three extractors, each despeckled, guided, choked, softened, and a wide light wrap."""
    recipe = service_bench.bench_recipe()
    for extractor in recipe.extractors:
        extractor.refine = Refine(
            despeckle=Despeckle(holes_px=2, specks_px=2),
            guide=Guide(radius_px=8),
            choke_px=1.5,
            soften_px=3,
        )
    recipe.assemble.light_wrap.amount = 0.5
    recipe.assemble.light_wrap.reach_px = 64.0
    return recipe


def write_uhd_shot(folder: Path) -> Path:
    """Write a UHD shot of half EXRs, uncompressed so that reading them is not the limit."""
    plate = picture(HEIGHT, WIDTH)
    for n in range(FRAMES):
        moved = np.roll(plate, 24 * n, axis=2)
        write_exr(
            folder / f"uhd.{1001 + n}.exr",
            {"": moved},
            interop_id="lin_ap1_scene",
            compression="none",
        )
    return folder / "uhd.####.exr"


def bench_card(sustained_s: float = SUSTAINED_S) -> dict[str, Any]:
    """Measure all of it; RuntimeError without a card."""
    choose_engine("cuda").engine.close()
    with tempfile.TemporaryDirectory(prefix="verdigris-bench-") as name:
        folder = Path(name)
        (folder / "media").mkdir()
        shot = write_uhd_shot(folder / "media")
        return {
            "frame": f"{WIDTH}x{HEIGHT}",
            "frames": FRAMES,
            "pointwise": _served(folder, shot, service_bench.bench_recipe(), 0, sustained_s),
            "neighbourhood": _served(folder, shot, neighbourhood_recipe(), 0, None),
            "half the budget": _served(
                folder, shot, service_bench.bench_recipe(), FRAMES * FRAME_MB // 2, 0.0
            ),
        }


def _served(
    folder: Path, shot: Path, recipe: Recipe, gpu_memory_mb: int, sustained_s: float | None
) -> dict[str, Any]:
    data = Path(tempfile.mkdtemp(dir=folder))
    settings = Settings.model_validate(
        {
            "engine": "cuda",
            "port": 0,
            "decode_workers": 4,
            "gpu_memory_mb": gpu_memory_mb,
            "host_memory_mb": 8192,
            "data_dir": str(data),
            "cache_dir": str(data / "cache"),
            "disk_cache_mb": 0,
        }
    )
    options = ServeOptions(str(shot), first_recipe=lambda: recipe)
    with serving(options, settings) as service:
        return _measured(service, service.address, sustained_s)


def _measured(service: Service, address: str, sustained_s: float | None) -> dict[str, Any]:
    neighbours = sustained_s is None
    result: dict[str, Any] = {"on": service.engine.description}
    with gc_pauses.seldom(), service_bench.pages_of(service, address) as pages:
        pages.open("operator", "operator", 960)
        for frame in range(1001, 1001 + FRAMES):
            service_bench.service_ready(service, frame)
        target_ms = 8 if neighbours else 2
        first = service_bench.drag(service, pages, target_ms=target_ms)
        result["moving, forms still being compiled"] = first["moving"]
        card: Any = service.engine
        card.card.wait_compiled()
        drag = service_bench.drag(service, pages, target_ms=target_ms)
        result |= {name: drag[name] for name in ("moving", "moving_to_page", "slowest")}
        if neighbours:
            result["moving while a render runs"] = _beside_a_render(service, pages)
            return result
        if sustained_s:
            result["sustained"] = _sustained(pages, sustained_s)
        count = service_bench.more_pages(pages)
        result["playback"] = service_bench.play(service, pages, count)
        result["store_mb"] = {k: v >> 20 for k, v in service.store.bytes().items()}
    return result


class Rendering:
    """Renders the open shot over and over on the service's engine while the context lasts."""

    def __init__(self, service: Service, folder: Path) -> None:
        self.service, self.folder = service, folder
        self.frames = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="bench-render")

    def __enter__(self) -> Rendering:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        service = self.service
        engine = SharedEngine(service.engine, service.thread)
        while not self._stop.is_set():
            job = RenderJob(
                shot=service.opened.shot,
                recipe=service.session.recipe,
                out=str(self.folder / "key.####.exr"),
                compression="none",
                resume=False,
            )
            renderer = Renderer(job, engine)

            def report(done: int, _: int, renderer: Renderer = renderer) -> None:
                self.frames += 1 if done else 0
                if self._stop.is_set():
                    renderer.cancelled.set()

            with suppress(RenderError):
                renderer.run(report)


def _beside_a_render(service: Service, pages: Pages) -> dict[str, Any]:
    """Drag while long work keeps asking for the engine in pieces, as a render does."""
    with (
        tempfile.TemporaryDirectory(prefix="verdigris-bench-") as name,
        Rendering(service, Path(name)) as beside,
    ):
        drag = service_bench.drag(service, pages, target_ms=8)
    return {**drag["moving"], "target_p99_ms": 30, "frames rendered beside it": beside.frames}


def _sustained(pages: Pages, seconds: float) -> dict[str, Any]:
    """Send sixty changes a second; count pictures and what memory did."""
    card_before = _card_mb()
    host, sent, pictures = [_rss_mb()], 0, 0
    for _ in range(PARTS):
        found = pages.ask("change_at", rate=RATE, seconds=seconds / PARTS)
        sent, pictures = sent + found["sent"], pictures + found["pictures"]
        host.append(_rss_mb())
    return {
        "seconds": seconds,
        "changes_a_second": round(sent / seconds, 1),
        "pictures_a_second": round(pictures / seconds, 1),
        "host_memory_mb_at_each_sixth": [round(mb, 1) for mb in host],
        "card_memory_growth_mb": round(_card_mb() - card_before, 1),
    }


def _rss_mb() -> float:
    try:
        with open("/proc/self/statm", encoding="ascii") as file:
            return int(file.read().split()[1]) * resource.getpagesize() / 2**20
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _card_mb() -> float:
    """Memory in use on the card, by anybody."""
    from importlib import import_module

    free, total = import_module("cupy").cuda.runtime.memGetInfo()
    return float(total - free) / 2**20

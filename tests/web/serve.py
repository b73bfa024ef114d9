"""Run the real service for the page's tests; prints its links as JSON when it can be reached.

Usage: python serve.py '{"shot": …, "data": …, "port": 0, "clean_plate": …, "background": …}'
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from kernels.recipe import Recipe, starting_recipe
from server.config import Settings
from server.service.maker import ServeOptions
from server.start import listen, make_service, run_service

LINKS = 12


def main(given: dict[str, str]) -> None:
    """Serve until terminated."""
    data = Path(given["data"])
    settings = Settings(
        engine="cpu",
        threads=1,
        decode_workers=1,
        port=int(given["port"]),
        data_dir=str(data),
        cache_dir=str(data / "cache"),
        host_memory_mb=256,
        disk_cache_mb=64,
    )

    def path(name: str) -> Path | None:
        return Path(given[name]) if given.get(name) else None

    options = ServeOptions(
        shot=given["shot"],
        clean_plate=path("clean_plate"),
        background=path("background"),
        first_recipe=first_recipe,
        renders=data / "renders",
    )
    listener = listen(settings.host, settings.port)
    service = make_service(options, settings, listener.address)
    address = service.address

    def ready() -> None:
        links = {
            "address": address,
            "operator": [
                f"{address}/join#{service.gate.make_link('operator')}" for _ in range(LINKS)
            ],
            "reviewer": f"{address}/join#{service.gate.make_link('reviewer')}",
        }
        print(json.dumps(links), flush=True)

    run_service(service, options, settings.host, listener, ready)


def first_recipe() -> Recipe:
    """A plain key with a known name, so that tests can tell it from others."""
    recipe = starting_recipe()
    recipe.name = "first look"
    return recipe


if __name__ == "__main__":
    main(json.loads(sys.argv[1]))

"""Python's search for reference cycles, kept from pausing pictures.

A whole search looks at every object of the process, libraries included: tens of milliseconds, at
any moment, on the thread that makes a picture.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager

YOUNG_OBJECTS = 10_000
"""new objects before the newest are looked at; a change of the recipe leaves about sixty"""
ROUNDS = 20
"""looks at the newest before one at those that outlived it"""


@contextmanager
def seldom() -> Iterator[None]:
    """Collect once, leave out what is alive now, and look at new objects less often meanwhile.

    For a process that serves, once it has started. Reference counts free memory as before.
    """
    before = gc.get_threshold()
    gc.collect()
    gc.freeze()
    gc.set_threshold(YOUNG_OBJECTS, ROUNDS, ROUNDS)
    try:
        yield
    finally:
        gc.set_threshold(*before)
        gc.unfreeze()

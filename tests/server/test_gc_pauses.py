"""Python's collections do not pause pictures: a whole one is never due while changes come in."""

from __future__ import annotations

import subprocess
import sys

CODE = """
import gc
from server import gc_pauses
class Cycle:
    def __init__(self): self.me = self
old = [Cycle() for _ in range(1000)]
before = gc.get_threshold()
seen = []
with gc_pauses.seldom():
    assert gc.get_freeze_count() > 1000
    gc.callbacks.append(lambda phase, info: seen.append(info["generation"]))
    for _ in range(60 * 600):
        Cycle()
    gc.callbacks.clear()
assert 2 not in seen, seen
assert seen, "garbage is collected still"
assert gc.get_freeze_count() == 0 and gc.get_threshold() == before
"""


def test_serving_process_collects_only_young_objects() -> None:
    """Six hundred changes' worth of cycles are freed, without a look at everything.

    Source: Python's documentation of `gc.freeze` and `gc.set_threshold`.
    """
    done = subprocess.run([sys.executable, "-c", CODE], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr

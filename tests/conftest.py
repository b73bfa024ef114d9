"""What all tests share: one thread of linear algebra a process.

Tests run side by side, and the small systems solved here only wait for more threads: five surveyed
set-ups took less than half the processor time with one, on two busy cores.
"""

from __future__ import annotations

import os
import sys

if "numpy" not in sys.modules:  # it reads this once, when it is loaded
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

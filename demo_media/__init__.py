"""Generated shots before a lit screen, with exact truth: for the demo and for measuring mattes."""

from __future__ import annotations

from demo_media.demo import DemoPaths, make_demo
from demo_media.scene import KINDS, TruthShot, truth_shot

__all__ = ["KINDS", "DemoPaths", "TruthShot", "make_demo", "truth_shot"]

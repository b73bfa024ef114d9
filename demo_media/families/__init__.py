"""Families of truth shots: three independent generators before the same honest cameras."""

from __future__ import annotations

from importlib import import_module

from demo_media.families.cameras import CAMERAS, SUBSAMPLED, photograph
from demo_media.families.scene import PAINTS, Scene, SceneFrame
from demo_media.families.shot import FamilyShot, TruthFrame

__all__ = [
    "CAMERAS",
    "FAMILIES",
    "KINDS",
    "FamilyShot",
    "Scene",
    "SceneFrame",
    "TruthFrame",
    "default_camera",
    "default_paint",
    "default_primary",
    "family_shot",
]

FAMILIES = ("workshop", "harbour", "theatre")
KINDS = (
    "plain",
    "plain_dark",
    "hair",
    "blond_hair",
    "motion_blur",
    "defocus",
    "low_light",
    "gloss",
    "near_hue",
    "glass",
    "highlights",
    "rim_hair",
    "smoke",
    "steam",
    "veil",
    "spray",
    "hair_420",
    "moving_camera",
    "contact_shadow",
)
"""What every family makes. hair_420 is hair through 8-bit 4:2:0."""


def _places(family: str, kind: str) -> tuple[int, int]:
    if family not in FAMILIES:
        raise ValueError(f"expected one of {', '.join(FAMILIES)}, got {family!r}")
    if kind not in KINDS:
        raise ValueError(f"expected one of {', '.join(KINDS)}, got {kind!r}")
    return FAMILIES.index(family), KINDS.index(kind)


def default_camera(family: str, kind: str, seed: int) -> str:
    """The camera of a shot when none is named; every camera meets every kind within seven seeds."""
    f, k = _places(family, kind)
    return "h264" if kind == "hair_420" else CAMERAS[(3 * k + seed + 2 * f) % len(CAMERAS)]


def default_primary(family: str, kind: str, seed: int) -> str:
    """Green or blue in turn, so that a kind meets both with every camera in fourteen seeds."""
    f, k = _places(family, kind)
    return ("green", "blue")[(f + k + seed) % 2]


def default_paint(family: str, kind: str, seed: int, primary: str) -> str:
    """The name in PAINTS[primary] of the screen's paint; families call it from `make`."""
    f, k = _places(family, kind)
    return list(PAINTS[primary])[(f + k // 2 + seed // 2) % len(PAINTS[primary])]


def family_shot(
    family: str,
    kind: str,
    seed: int = 0,
    *,
    camera: str | None = None,
    primary: str | None = None,
    width: int = 640,
    height: int = 360,
    frames: int = 5,
) -> FamilyShot:
    """Make a shot; deterministic in all arguments.

    `family` is one of FAMILIES, `kind` one of KINDS, `camera` one of CAMERAS, `primary` green or
    blue; the latter two come from a fixed table when left out. Width and height must be even, 64
    and more.
    Raises ValueError on anything else, ImportError where a family isn't there.
    """
    _places(family, kind)
    chosen = default_camera(family, kind, seed) if camera is None else camera
    screen = default_primary(family, kind, seed) if primary is None else primary
    if chosen not in CAMERAS:
        raise ValueError(f"expected one of {', '.join(CAMERAS)}, got {chosen!r}")
    if screen not in PAINTS:
        raise ValueError(f"expected green or blue, got {screen!r}")
    if width % 2 or height % 2 or width < 64 or height < 64:
        raise ValueError(f"expected an even size of at least 64 x 64, got {width} x {height}")
    if frames < 1 or seed < 0:
        raise ValueError(f"expected frames >= 1 and seed >= 0, got {frames} and {seed}")
    make = import_module(f"demo_media.families.{family}").make
    scene: Scene = make(kind, seed, screen, width, height, frames)
    key = (FAMILIES.index(family), KINDS.index(kind), seed)
    made = photograph(scene, chosen, key)
    return FamilyShot(
        family=family,
        kind=kind,
        seed=seed,
        camera=chosen,
        primary=screen,
        subsampled=chosen in SUBSAMPLED,
        over_bound=not all(frame.noise.exact for frame in made),
        frames=made,
    )

"""Settings: command line over environment over project file over user file over default."""

from __future__ import annotations

import os
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import platformdirs
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from kernels.errors import VerdigrisError

FILE_NAME = "verdigris.toml"
PREFIX = "VERDIGRIS_"
BESIDE_A_SHOT = ("ocio", "colourspace", "fps")
"""what a file beside a shot may set: how its pictures are read, and nothing of this machine"""


class ConfigError(VerdigrisError):
    """A setting cannot be used."""


def _cache() -> str:
    return platformdirs.user_cache_dir("verdigris")


def _data() -> str:
    return platformdirs.user_data_dir("verdigris")


class Settings(BaseModel):
    """Everything that belongs to the machine rather than to a shot."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    engine: Literal["auto", "cuda", "cpu"] = Field("auto", description="which engine runs")
    threads: int = Field(0, ge=0, le=256, description="threads of the cpu engine; 0 = all cores")
    decode_workers: int = Field(2, ge=1, le=32, description="processes that decode frames")
    decode_timeout_s: float = Field(60.0, gt=0, description="longest decoding of one frame")
    host: str = Field("127.0.0.1", description="address the service listens on")
    port: int = Field(8765, ge=0, le=65535, description="port the service listens on; 0 = any")
    gpu_memory_mb: int = Field(0, ge=0, description="GPU memory for frames; 0 = 60 % of the free")
    host_memory_mb: int = Field(2048, ge=64, description="memory for decoded frames")
    disk_cache_mb: int = Field(8192, ge=0, description="disk space for decoded frames; 0 = none")
    cache_dir: str = Field(default_factory=_cache, description="folder for decoded frames")
    data_dir: str = Field(default_factory=_data, description="folder for the take log")
    media_roots: list[str] = Field([], description="folders clients may name files under")
    ocio: str = Field("", description="OpenColorIO configuration; empty = $OCIO, else built in")
    colourspace: str = Field("", description="input colour space; empty = as the files state")
    fps: float = Field(0.0, ge=0, le=1000, description="frames a second; 0 = as the files state")
    max_side_px: int = Field(16384, ge=16, description="largest width or height that is opened")
    max_image_mb: int = Field(4096, ge=1, description="largest decoded image")
    log_format: Literal["text", "json"] = Field("text", description="form of the service's log")


@dataclass(frozen=True)
class Configured:
    """The settings in force and, for each, where its value came from."""

    settings: Settings
    origin: dict[str, str]
    told: str = ""
    """what was taken from a file beside the shot and what was not, in one sentence"""


def load_settings(
    overrides: dict[str, Any] | None = None, *, beside: Path | None = None
) -> Configured:
    """Return the settings in force.

    overrides: values given on the command line (None = not given). beside: the shot's folder,
    whose `verdigris.toml` counts before the user's for the settings of its pictures
    (BESIDE_A_SHOT); whatever else it says is left out, because the folder may come from anybody.
    Raises ConfigError naming the origin.
    """
    values: dict[str, Any] = {}
    origin = dict.fromkeys(Settings.model_fields, "default")
    user = Path(platformdirs.user_config_dir("verdigris")) / FILE_NAME
    _overlay(values, origin, _read_file(user), str(user))
    told = ""
    if beside is not None and (beside / FILE_NAME) != user:
        found = _read_file(beside / FILE_NAME)
        picture = {name: value for name, value in found.items() if name in BESIDE_A_SHOT}
        _overlay(values, origin, picture, str(beside / FILE_NAME))
        told = _said(beside / FILE_NAME, picture, [name for name in found if name not in picture])
    _overlay(values, origin, _environment(), "environment")
    given = {k: v for k, v in (overrides or {}).items() if v is not None}
    _overlay(values, origin, given, "command line")
    try:
        return Configured(Settings.model_validate(values), origin, told)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        name = str(first["loc"][0]) if first["loc"] else "?"
        where = origin.get(name, "unknown")
        told = f"--{name}" if where == "command line" else f"the setting '{name}' ({where})"
        message = str(first["msg"]).replace("Input should", "should")
        raise ConfigError(f"{told} {message}, not '{first.get('input')}'") from error


def _said(path: Path, used: dict[str, Any], left_out: list[str]) -> str:
    """Return in one sentence what a file beside a shot was read for, if for anything."""
    parts = []
    if used:
        parts.append("sets " + ", ".join(f"{name} = {value!r}" for name, value in used.items()))
    if left_out:
        named = ", ".join(repr(name[:40]) for name in left_out[:8])
        parts.append(f"has {named}, left out: beside a shot only {', '.join(BESIDE_A_SHOT)} count")
    return f"{path} {'; it '.join(parts)}" if parts else ""


def _overlay(
    values: dict[str, Any], origin: dict[str, str], new: dict[str, Any], where: str
) -> None:
    for name, value in new.items():
        if name not in Settings.model_fields:
            raise ConfigError(f"{where}: no setting '{name}'; `verdigris config` lists all")
        values[name] = value
        origin[name] = where


def _read_file(path: Path) -> dict[str, Any]:
    if not path.is_file():
        return {}
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ConfigError(f"cannot use the settings file {path}: {error}") from error


def _environment() -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name in Settings.model_fields:
        text = os.environ.get(PREFIX + name.upper())
        if text is not None:
            found[name] = text.split(os.pathsep) if name == "media_roots" else text
    return found

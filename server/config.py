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
    max_side_px: int = Field(16384, ge=16, description="largest width or height that is opened")
    max_image_mb: int = Field(4096, ge=1, description="largest decoded image")
    log_format: Literal["text", "json"] = Field("text", description="form of the service's log")


@dataclass(frozen=True)
class Configured:
    """The settings in force and, for each, where its value came from."""

    settings: Settings
    origin: dict[str, str]


def load_settings(
    overrides: dict[str, Any] | None = None, *, beside: Path | None = None
) -> Configured:
    """Return the settings in force.

    overrides: values given on the command line (None = not given). beside: the shot's folder,
    whose `verdigris.toml` counts before the user's. Raises ConfigError naming the origin.
    """
    values: dict[str, Any] = {}
    origin = dict.fromkeys(Settings.model_fields, "default")
    user = Path(platformdirs.user_config_dir("verdigris")) / FILE_NAME
    for path in [user, *([beside / FILE_NAME] if beside else [])]:
        _overlay(values, origin, _read_file(path), str(path))
    _overlay(values, origin, _environment(), "environment")
    given = {k: v for k, v in (overrides or {}).items() if v is not None}
    _overlay(values, origin, given, "command line")
    try:
        return Configured(Settings.model_validate(values), origin)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        name = str(first["loc"][0]) if first["loc"] else "?"
        where = origin.get(name, "unknown")
        told = f"--{name}" if where == "command line" else f"the setting '{name}' ({where})"
        message = str(first["msg"]).replace("Input should", "should")
        raise ConfigError(f"{told} {message}, not '{first.get('input')}'") from error


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

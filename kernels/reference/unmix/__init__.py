"""Unmixing: solves plate = alpha F + (1 - alpha) clean from several local candidates for F."""

from __future__ import annotations

from kernels.reference.unmix.method import HALO_PX, Regional, local, regional, unmix
from kernels.reference.unmix.settings import UnmixResult, UnmixSettings

__all__ = ["HALO_PX", "Regional", "UnmixResult", "UnmixSettings", "local", "regional", "unmix"]

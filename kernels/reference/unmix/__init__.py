"""Unmixing: solves plate = alpha F + (1 - alpha) clean from several local candidates for F."""

from __future__ import annotations

from kernels.reference.unmix.method import unmix
from kernels.reference.unmix.settings import UnmixResult, UnmixSettings

__all__ = ["UnmixResult", "UnmixSettings", "unmix"]

"""Fixtures of the CUDA tests: engines on the emulated device, and the real one where it is."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import Any

import pytest

from kernels.cuda.runner import DeviceEngine
from tests.kernels.cuda.host import HostDevice, compiler


@pytest.fixture(scope="session")
def emulated() -> DeviceEngine:
    """The engine on kernels compiled as C++, in the parameter-array form, float32 storage."""
    if compiler() is None:
        pytest.fail("g++ is needed to run the kernels on the processor")
    return DeviceEngine(HostDevice("array"), storage="float32")


@pytest.fixture(scope="session")
def card() -> Iterator[Any]:
    """The CUDA engine on a real card; a missing one is an error with VERDIGRIS_REQUIRE_GPU=1."""
    try:
        from kernels.cuda.launch import CudaEngine

        engine = CudaEngine()
    except Exception as error:
        if os.environ.get("VERDIGRIS_REQUIRE_GPU") == "1":
            raise
        pytest.skip(f"no CUDA card here: {error}")
    yield engine
    engine.close()

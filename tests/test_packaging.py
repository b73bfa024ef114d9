"""The wheel: built, installed away from the checkout, it runs a command and a render."""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder)],
        cwd=ROOT,
        check=True,
        capture_output=True,
    )
    return next(folder.glob("*.whl"))


def test_the_wheel_holds_the_page_and_the_kernels_and_no_tests(wheel: Path) -> None:
    """Source: the wheel format, PyPA binary distribution specification."""
    names = zipfile.ZipFile(wheel).namelist()
    for needed in (
        "web/index.html",
        "web/js/main.js",
        "kernels/cuda/pointwise.cu",
        "server/cli.py",
    ):
        assert needed in names
    assert any(name.startswith("demo_media/") for name in names)
    assert not any(name.startswith("tests/") for name in names)


@pytest.mark.slow
def test_an_installed_wheel_helps_and_renders(wheel: Path, tmp_path: Path) -> None:
    """Source: PyPA, a console script runs from any folder.

    Dependencies are taken from the environment of the tests; the project itself is not.
    """
    from server.media import write_exr

    environment = tmp_path / "venv"
    subprocess.run([sys.executable, "-m", "venv", str(environment)], check=True)
    python = environment / "bin" / "python"
    site = subprocess.run(
        [python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout.strip()
    libraries = {sysconfig.get_path("purelib"), sysconfig.get_path("platlib")}
    (Path(site) / "libraries.pth").write_text("\n".join(sorted(libraries)) + "\n")
    subprocess.run(
        [python, "-m", "pip", "install", "-q", "--no-deps", "--no-index", str(wheel)], check=True
    )
    plate = np.full((3, 32, 48), 0.2, np.float32)
    plate[1, :, 24:] = 0.6
    write_exr(tmp_path / "plate.exr", {"": plate}, interop_id="lin_ap1_scene")
    clean = {k: v for k, v in os.environ.items() if not k.startswith("PYTHON")}

    def verdigris(*arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [environment / "bin" / "verdigris", *arguments],
            cwd=tmp_path,
            env=clean,
            capture_output=True,
            text=True,
            check=False,
        )

    where = subprocess.run(
        [python, "-c", "import kernels; print(kernels.__file__)"],
        cwd=tmp_path,
        env=clean,
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    assert str(environment) in where
    helped = verdigris("--help")
    assert helped.returncode == 0, helped.stderr
    assert verdigris("recipe", "new", "key.json").returncode == 0
    made = verdigris(
        "render", "plate.exr", "--recipe", "key.json", "--out", "k.exr", "--engine", "cpu"
    )
    assert made.returncode == 0, made.stderr
    assert (tmp_path / "k.exr").stat().st_size > 0

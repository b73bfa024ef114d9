"""Everything that needs a card, in one go: GPU tests, parity, timings, memory checks, one record.

Run from the repository's root:  python tests/kernels/cuda/on_device.py [--quick]
Writes tests/gpu_record.json (also to the folder named by OUT, if set); ends with 1 if a check
failed.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[3]
RECORD = ROOT / "tests" / "gpu_record.json"
GPU_TESTS = [
    *(sys.executable, "-m", "pytest", "-q", "-m", "gpu", "tests/kernels/cuda"),
    *("-p", "no:cacheprovider"),
]
SANITIZER = """
import numpy as np
from kernels.cuda.launch import CudaEngine
from kernels.engine import Stress, View
from kernels.inputs import gather
from kernels.parity_cases import cases
from kernels.plan import build_plan
from kernels.recipe import Denoise, Noise
from tests.kernels.cuda.test_gpu import rich_recipe
engine = CudaEngine()
engine.card.form = "array"
recipe = rich_recipe()
rng = np.random.default_rng(1)
plate = rng.random((3, 120, 160), np.float32)
inputs = gather(engine, recipe, 1, plate=plate, clean=plate * 0.5, denoised=plate)
for region in (None, (40, 24, 104, 88)):
    plan = build_plan(recipe, 1, inputs.planes)
    engine.planes(plan, inputs, ["alpha", "straight", "foreground", "composite"], region)
    engine.render(plan, inputs, View("composite", 53, 40, region=region))
    engine.render(plan, inputs, View("composite", 10, 12, region=(32, 24, 112, 72)))
    engine.render(plan, inputs, View("matte", 53, 40, stress=Stress("core")))
for method in ("unmix", "multiply"):
    recipe.assemble.edge_colour.method = method
    engine.planes(build_plan(recipe, 1, inputs.planes), inputs, ["composite"])
pictures = [plate * 0.05, plate * 0.05 + 0.001]
engine.denoise(pictures, Noise(gain=(1e-3,) * 3), Denoise(keep_luminance=0.5))
for case in cases():
    if case.name.startswith("key of"):
        inputs = gather(engine, case.recipe, 1, plate=plate, clean=plate * 0.5)
        plan = build_plan(case.recipe, 1, inputs.planes)
        engine.planes(plan, inputs, case.wanted)
        engine.render(plan, inputs, View("composite", 53, 40))
        engine.render(plan, inputs, View("composite", 40, 30))
engine.card.synchronise()
print("sanitised")
"""


def run(name: str, command: list[str], seconds: int) -> dict[str, Any]:
    """Run a step and return how it went; a step that runs too long has failed."""
    start = time.monotonic()
    environment = {**os.environ, "VERDIGRIS_REQUIRE_GPU": "1", "PYTHONUNBUFFERED": "1"}
    environment["PYTHONPATH"] = os.pathsep.join(
        [str(ROOT), *filter(None, [environment.get("PYTHONPATH")])]
    )
    try:
        done = subprocess.run(
            command,
            cwd=ROOT,
            env=environment,
            capture_output=True,
            text=True,
            timeout=seconds,
            check=False,
        )
        code, out = done.returncode, done.stdout + done.stderr
    except subprocess.TimeoutExpired as error:
        code, out = 124, f"{error.stdout or ''}\ntook longer than {seconds} s"
    took = time.monotonic() - start
    print(f"--- {name}: exit code {code} after {took:.0f} s", flush=True)
    print("\n".join(out.splitlines()[-14:]), flush=True)
    return {"exit_code": code, "seconds": round(took, 1), "last_lines": out.splitlines()[-3:]}


def driver() -> str:
    """Return the driver's version as its own tool tells it."""
    tool = shutil.which("nvidia-smi")
    if tool is None:
        return "unknown"
    asked = [tool, "--query-gpu=driver_version", "--format=csv,noheader"]
    return subprocess.run(asked, capture_output=True, text=True, check=False).stdout.strip()


def sanitizers(quick: bool) -> dict[str, Any]:
    """Run the kernels under NVIDIA's memory, race and initialisation checkers."""
    tool = shutil.which("compute-sanitizer") or "/usr/local/cuda/bin/compute-sanitizer"
    if not Path(tool).exists():
        return {"compute-sanitizer": {"exit_code": 127, "last_lines": ["not installed"]}}
    checks = ("memcheck",) if quick else ("memcheck", "racecheck", "initcheck")
    return {
        check: run(
            check,
            [tool, "--tool", check, "--error-exitcode", "9", sys.executable, "-c", SANITIZER],
            100,
        )
        for check in checks
    }


def asked(code: str, seconds: int = 240) -> dict[str, Any]:
    """Return what `code` leaves in `result`, run in a process of its own; an error tells why."""
    whole = f"import json\n{code}\nprint('FIGURES ' + json.dumps(result))"
    paths = [str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(paths)}
    try:
        done = subprocess.run(
            [sys.executable, "-c", whole], cwd=ROOT, env=environment, capture_output=True,
            text=True, timeout=seconds, check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return {"error": f"took longer than {seconds} s"}
    for line in done.stdout.splitlines():
        if line.startswith("FIGURES "):
            found: dict[str, Any] = json.loads(line.removeprefix("FIGURES "))
            return found
    return {"error": (done.stdout + done.stderr)[-2000:]}


def figures() -> dict[str, Any]:
    """Return the benchmark's figures."""
    return asked("from kernels.cuda.bench import bench\nresult = bench()")


def denoise_figures() -> dict[str, Any]:
    """Return the times of denoising."""
    return asked(
        "from kernels.cuda.bench import denoise_figures\n"
        "from kernels.cuda.launch import CudaEngine\n"
        "result = denoise_figures(CudaEngine())"
    )


def service_figures() -> dict[str, Any]:
    """Return the service's figures on the card."""
    return asked("from server.bench.bench_card import bench_card\nresult = bench_card()")


def parity_figures() -> dict[str, Any]:
    """Return every case's largest error and tolerance, for both storages."""
    record: dict[str, Any] = {"over_tolerance": {}}
    for storage in ("float16", "float32"):
        found = asked(
            "from kernels import parity\nfrom kernels.cuda.launch import CudaEngine\n"
            f"found = parity.worst(parity.run([CudaEngine(storage={storage!r})])).values()\n"
            "result = {d.case: [d.error, d.tolerance] for d in found}"
        )
        if "error" in found:
            return found
        for case, (error, tolerance) in found.items():
            if not error <= tolerance:
                record["over_tolerance"][f"{case}, {storage}"] = [error, tolerance]
        record["cases"] = len(found)
        record[storage] = found
    return record


def render_figures(shot: str, recipe: str) -> dict[str, Any]:
    """Return the largest differences of one shot's results between the two engines."""
    if shot == "demo":
        return asked(
            "from server.bench.engine_match import demo_match\nresult = demo_match()", seconds=400
        )
    return asked(
        "from server.bench.engine_match import engine_match\n"
        f"result = engine_match({shot!r}, {recipe!r})"
    )


def write(record: dict[str, Any]) -> None:
    """Write the record beside the tests, and to the folder named by OUT."""
    text = json.dumps(record, indent=1) + "\n"
    RECORD.write_text(text, encoding="utf-8")
    if os.environ.get("OUT"):
        Path(os.environ["OUT"], RECORD.name).write_text(text, encoding="utf-8")


def main() -> int:
    """Run the steps; the record is written after each, so that a late stop keeps the rest."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="memcheck alone")
    parser.add_argument(
        "--shot", default="", help="a shot to render on both engines; `demo` makes one"
    )
    parser.add_argument("--recipe", default="", help="its recipe")
    parser.add_argument("--only", default="", help="steps by name; the others' results are kept")
    given = parser.parse_args()
    steps: dict[str, Callable[[], dict[str, Any]]] = {
        "service": service_figures,
        "parity": parity_figures,
        "figures": figures,
        "denoise": denoise_figures,
        "tests": lambda: run("GPU tests", GPU_TESTS, 150),
        "sanitizers": lambda: sanitizers(given.quick),
    }
    if given.shot:
        steps["render"] = lambda: render_figures(given.shot, given.recipe)
    wanted = [name for name in given.only.split(",") if name] or list(steps)
    kept = json.loads(RECORD.read_text(encoding="utf-8")) if given.only else {}
    record: dict[str, Any] = {
        **kept,
        "date": time.strftime("%Y-%m-%d"),
        "python": sys.version.split()[0],
        "driver": driver(),
    }
    for name in wanted:
        record[name] = steps[name]()
        print(name, json.dumps(record[name], indent=1)[:9000], flush=True)
        write(record)
    return 0 if all(good(name, record[name]) for name in wanted) else 1


def good(name: str, result: dict[str, Any]) -> bool:
    """Tell whether a step went well."""
    if name == "tests":
        return bool(result["exit_code"] == 0)
    if name == "sanitizers":
        return all(step["exit_code"] == 0 for step in result.values())
    return "error" not in result and not result.get("over_tolerance")


if __name__ == "__main__":
    sys.exit(main())

"""Everything that needs a card, in one go: GPU tests, parity, timings, memory checks, one record.

Run from the repository's root:  python tests/cuda/on_device.py [--quick]
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
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
RECORD = ROOT / "tests" / "gpu_record.json"
SANITIZER = """
import numpy as np
from kernels.cuda.launch import CudaEngine
from kernels.engine import Stress, View
from kernels.inputs import gather
from kernels.plan import build_plan
from tests.cuda.test_gpu import rich_recipe
engine = CudaEngine()
engine.card.form = "array"
recipe = rich_recipe()
rng = np.random.default_rng(1)
plate = rng.random((3, 120, 160), np.float32)
inputs = gather(engine, recipe, 1, plate=plate, clean=plate * 0.5, denoised=plate)
for region in (None, (40, 24, 104, 88)):
    plan = build_plan(recipe, 1, inputs.planes)
    engine.planes(plan, inputs, ["alpha", "straight", "cutout", "composite"], region)
    engine.render(plan, inputs, View("composite", 53, 40, region=region))
    engine.render(plan, inputs, View("matte", 53, 40, stress=Stress("core")))
for method in ("unmix", "multiply"):
    recipe.assemble.edge_colour.method = method
    engine.planes(build_plan(recipe, 1, inputs.planes), inputs, ["composite"])
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
        done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True,
                              timeout=seconds, check=False)
        code, out = done.returncode, done.stdout + done.stderr
    except subprocess.TimeoutExpired as error:
        code, out = 124, f"{error.stdout or ''}\ntook longer than {seconds} s"
    took = time.monotonic() - start
    print(f"--- {name}: exit code {code} after {took:.0f} s", flush=True)
    print("\n".join(out.splitlines()[-14:]), flush=True)
    return {"exit_code": code, "seconds": round(took, 1), "last_lines": out.splitlines()[-3:]}


def sanitizers(quick: bool) -> dict[str, Any]:
    """Run the kernels under NVIDIA's memory, race and initialisation checkers."""
    tool = shutil.which("compute-sanitizer") or "/usr/local/cuda/bin/compute-sanitizer"
    if not Path(tool).exists():
        return {"compute-sanitizer": {"exit_code": 127, "last_lines": ["not installed"]}}
    checks = ("memcheck",) if quick else ("memcheck", "racecheck", "initcheck")
    return {
        check: run(check, [tool, "--tool", check, "--error-exitcode", "9", sys.executable, "-c",
                           SANITIZER], 100)
        for check in checks
    }


def figures() -> dict[str, Any]:
    """Return the benchmark's figures, measured in a process of its own."""
    code = (
        "import json\nfrom kernels.cuda.bench import bench\n"
        "print('FIGURES ' + json.dumps(bench()))"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(
        [str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])])}
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, env=environment,
                          capture_output=True, text=True, timeout=240, check=False)
    for line in done.stdout.splitlines():
        if line.startswith("FIGURES "):
            found: dict[str, Any] = json.loads(line.removeprefix("FIGURES "))
            return found
    return {"error": (done.stdout + done.stderr)[-2000:]}


def parity_figures() -> dict[str, Any]:
    """Return the worst differences of every case, both storages, and their tolerances."""
    code = (
        "import json\nfrom kernels import parity\nfrom kernels.cuda.launch import CudaEngine\n"
        "e = CudaEngine(storage='float32')\n"
        "w = parity.worst(parity.run([e])).values()\n"
        "print('FIGURES ' + json.dumps({d.case: [d.error, d.tolerance] for d in w}))"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(
        [str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])])}
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, env=environment,
                          capture_output=True, text=True, timeout=120, check=False)
    for line in done.stdout.splitlines():
        if line.startswith("FIGURES "):
            cases = json.loads(line.removeprefix("FIGURES "))
            over = {name: pair for name, pair in cases.items() if not pair[0] <= pair[1]}
            return {"cases": len(cases), "over_tolerance": over, "largest": dict(sorted(
                cases.items(), key=lambda item: -item[1][0] / item[1][1])[:12])}
    return {"error": (done.stdout + done.stderr)[-2000:]}


def main() -> int:
    """Run everything and write the record."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="memcheck alone, no PyTorch")
    quick = parser.parse_args().quick
    record: dict[str, Any] = {"date": time.strftime("%Y-%m-%d"), "python": sys.version.split()[0]}
    record["parity"] = parity_figures()
    print("parity", json.dumps(record["parity"])[:1500], flush=True)
    record["figures"] = figures()
    print("figures", json.dumps(record["figures"], indent=1), flush=True)
    record["tests"] = run(
        "GPU tests", [sys.executable, "-m", "pytest", "-q", "-m", "gpu", "tests/cuda", "-p",
                      "no:cacheprovider"], 150)
    record["sanitizers"] = sanitizers(quick)
    text = json.dumps(record, indent=1) + "\n"
    RECORD.write_text(text, encoding="utf-8")
    if os.environ.get("OUT"):
        Path(os.environ["OUT"], RECORD.name).write_text(text, encoding="utf-8")
    bad = [step for step in [record["tests"], *record["sanitizers"].values()] if step["exit_code"]]
    broken = "error" in record["parity"] or record["parity"]["over_tolerance"]
    return 1 if bad or broken or "error" in record["figures"] else 0


if __name__ == "__main__":
    sys.exit(main())

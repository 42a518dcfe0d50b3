"""The night check from the command line: wall time and peak memory of the whole process."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.speed.figures import Figure

# Runs the program as a person does, then says on its last line how much memory it ever held. On Linux the
# kernel's own count of this program image is read: the count of getrusage starts from the parent's size
# there. Windows offers neither, and no package is added for it: there the memory stays unmeasured.
PROGRAM = """\
import sys, time
from pathlib import Path

def peak_bytes():
    status = Path("/proc/self/status")
    if status.exists():
        lines = status.read_text(encoding="utf-8").splitlines()
        return next(int(line.split()[1]) * 1024 for line in lines if line.startswith("VmHWM"))
    try:
        import resource
    except ImportError:
        return -1
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak if sys.platform == "darwin" else peak * 1024

from hilkit.cli import main
try:
    code = main(sys.argv[1:])
except SystemExit as left:
    code = left.code
print("PEAK", peak_bytes(), time.process_time())
sys.exit(code)
"""


@dataclass(frozen=True, kw_only=True)
class Night:
    """One run: wall and processor time in s, peak memory in bytes (-1: not known), exit code."""

    wall_s: float
    processor_s: float
    peak: int
    code: int


def night(plan: str, *more: str) -> Night:
    """Run a plan in a process of its own."""
    with tempfile.TemporaryDirectory() as folder:
        start = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-c", PROGRAM, "run", plan, "--out", str(Path(folder) / "runs"), *more],
            capture_output=True,
            encoding="utf-8",
        )
        wall_s = time.perf_counter() - start
    word, peak, processor_s = done.stdout.rstrip().rsplit("\n", 1)[-1].split()
    assert word == "PEAK", done.stdout + done.stderr
    return Night(wall_s=wall_s, processor_s=float(processor_s), peak=int(peak), code=done.returncode)


def figures(*, quick: bool) -> Iterator[Figure]:
    """Yield times and memory; the quick form runs the first step of the plan alone."""
    more = ("--only", "bring_up") if quick else ()
    runs = [night("night_check", *more) for _ in range(1 if quick else 3)]
    codes = ", ".join(map(str, sorted({run.code for run in runs})))
    name = "night check, one step only" if quick else "night check"
    yield Figure(
        name=f"{name}: wall time",
        value=max(run.wall_s for run in runs),
        unit="s",
        target="under 10",
        note=f"longest of {len(runs)}; exit code {codes}",
    )
    yield Figure(name=f"{name}: processor time", value=max(run.processor_s for run in runs), unit="s")
    peak = max(run.peak for run in runs)
    yield Figure(
        name=f"{name}: peak memory",
        value=peak / 1e6 if peak >= 0 else float("nan"),
        unit="MB",
        target="under 250",
        note="" if peak >= 0 else "not measured on this system",
    )

"""The night check from the command line: wall time and peak memory of the whole process."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from tests.speed.figures import Figure

# Runs the program as a person does, then says on its last line how much memory it ever held. On Linux the
# kernel's own count of this program image is read: the count of getrusage starts from the parent's size
# there. Windows offers neither, and no package is added for it: there the memory stays unmeasured.
PROGRAM = """\
import sys
from pathlib import Path

def peak_bytes():
    status = Path("/proc/self/status")
    if status.exists():
        line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return int(line.split()[1]) * 1024
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
print("PEAK", peak_bytes())
sys.exit(code)
"""


def night(plan: str, *more: str) -> tuple[float, int, int]:
    """Run a plan; return the wall time in s, the peak memory in bytes (-1: not known) and the exit code."""
    with tempfile.TemporaryDirectory() as folder:
        start = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-c", PROGRAM, "run", plan, "--out", str(Path(folder) / "runs"), *more],
            capture_output=True,
            encoding="utf-8",
        )
        took_s = time.perf_counter() - start
    last = done.stdout.rstrip().rsplit("\n", 1)[-1].split()
    return took_s, int(last[1]) if last[:1] == ["PEAK"] else -1, done.returncode


def figures(*, quick: bool) -> Iterator[Figure]:
    """Yield time and memory; the quick form runs the first step of the plan alone."""
    more = ("--only", "bring_up") if quick else ()
    runs = [night("night_check", *more) for _ in range(1 if quick else 3)]
    codes = sorted({code for _, _, code in runs})
    name = "night check, one step only" if quick else "night check"
    yield Figure(
        name=f"{name}: wall time",
        value=max(took_s for took_s, _, _ in runs),
        unit="s",
        target="under 10",
        note=f"longest of {len(runs)}; exit code {', '.join(map(str, codes))}",
    )
    peak = max(peak for _, peak, _ in runs)
    yield Figure(
        name=f"{name}: peak memory",
        value=peak / 1e6 if peak >= 0 else float("nan"),
        unit="MB",
        target="under 250",
        note="" if peak >= 0 else "not measured on this system",
    )

"""The bench: what its file says, the loss of its paths, its open instruments, its lock, and a look at all."""

from hilkit.bench.connected import Connected, open_one
from hilkit.bench.inspection import Finding, InspectionReport, InstrumentLook, PathLook, inspect
from hilkit.bench.load import load_bench
from hilkit.bench.lock import bench_lock, resource_lock, watch_lock
from hilkit.bench.model import BenchFile
from hilkit.bench.needs import needs
from hilkit.bench.path import Path, PathError, frequency_text
from hilkit.bench.spec import Bench, InstrumentSpec, RadioSpec

__all__ = [
    "Bench",
    "BenchFile",
    "Connected",
    "Finding",
    "InspectionReport",
    "InstrumentLook",
    "InstrumentSpec",
    "Path",
    "PathError",
    "PathLook",
    "RadioSpec",
    "bench_lock",
    "frequency_text",
    "inspect",
    "load_bench",
    "needs",
    "open_one",
    "resource_lock",
    "watch_lock",
]

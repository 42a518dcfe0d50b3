"""The bench of calibration day in a folder of its own, and calibrations of its paths made by hand."""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from hilkit.bench import Bench, load_bench
from hilkit.bench.calibration import calibration_text
from hilkit.files import Lab, library

GRID = tuple(f"{mhz} MHz" for mhz in range(1700, 2501, 50))


def content(**changes: Any) -> dict[str, Any]:
    """Return the content of a calibration of tx1: 27 dB at every point, 0.05 dB and 0.03 dB."""
    points = [{"frequency": f, "loss": "27 dB", "common": "0.05 dB", "local": "0.03 dB"} for f in GRID]
    return {
        "calibration": "tx1",
        "bench": "simulated pier, calibration",
        "date": "2026-11-20",
        "switches": {"relay": [101]},
        "pad": "0 dB",
        "sensor": "power_meter",
        "level": "10 dBm",
        "tool": "hilkit 0",
        "instruments": {"generator": {"model": "SG6000", "serial": "SG-0448"}},
        "points": points,
        **changes,
    }


def bench_text(*keys: str, changes: Sequence[tuple[str, str]] = ()) -> str:
    """Return the bench file with lines added at its end."""
    text = (library() / "sim_profiles" / "simulated_pier_calibration.bench.yaml").read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return "\n".join([text, *keys, ""])


def bench_with(
    folder: Path,
    *keys: str,
    files: Mapping[str, str] | None = None,
    changes: Sequence[tuple[str, str]] = (),
) -> Bench:
    """Load the bench with ``files`` beside it."""
    shutil.copy(library() / "sim_profiles" / "measured_line.s2p", folder)
    for name, text in (files or {}).items():
        (folder / name).write_text(text, encoding="utf-8")
    path = folder / "pier.bench.yaml"
    path.write_text(bench_text(*keys, changes=changes), encoding="utf-8")
    return load_bench(path, Lab(folder))


def calibrated(folder: Path, *keys: str, policy: str = "refuse", **changes: Any) -> Bench:
    """Load the bench with one calibration of tx1."""
    return bench_with(
        folder,
        "calibrations: [tx1.yaml]",
        f"calibration_policy: {policy}",
        *keys,
        files={"tx1.yaml": calibration_text(content(**changes))},
    )

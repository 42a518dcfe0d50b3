"""A bench file with nothing but one path in it, for checks of path loss against published figures."""

from __future__ import annotations

import json
import shutil
from pathlib import Path as FilePath
from typing import Any

import skrf

from hilkit.bench import Path, load_bench
from hilkit.files import Lab

NETWORKS = FilePath(skrf.__file__).parent / "data"
"""The networks that scikit-rf (BSD-3-Clause) ships in its package."""


def path_of(folder: FilePath, *elements: dict[str, Any]) -> Path:
    """Write a bench file whose one path has these elements, read it, and return the path.

    A file that an element names is copied beside it: from scikit-rf's package data, or from where a whole
    path says.
    """
    entries = [dict(element) for element in elements]
    for entry in entries:
        if "file" in entry:
            entry["file"] = FilePath(shutil.copy(NETWORKS / entry["file"], folder)).name
    bench = {
        "bench": "one path",
        "instruments": {
            "analyser": {"driver": "signal_analyser", "resource": "TCPIP0::192.0.2.1::5025::SOCKET"}
        },
        "radio": {
            "driver": "radio_head",
            "resource": "TCPIP0::192.0.2.2::5100::SOCKET",
            "channels": {"1": "tx1"},
            "max_level": "24 dBm",
            "frequency": [{"from": "1805 MHz", "to": "1880 MHz"}],
            "bandwidth": "60 MHz",
        },
        "paths": {"tx1": entries},
    }
    file = folder / "one_path.bench.yaml"
    file.write_text(json.dumps(bench, indent=1), encoding="utf-8")  # JSON is YAML 1.2
    return load_bench(file, Lab(folder)).path(1)

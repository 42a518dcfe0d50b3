"""The shipped bench without its own errors: what is left in a reading comes from one imperfection put in on
purpose.

Every match is perfect, every loss the same at all frequencies and known, the amplifier and the analyser are
linear and quiet; the I/Q modulator has the faults that a test gives it and no others.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from hilkit.files import library, load
from hilkit.procedures import find
from hilkit.readings import Measured
from hilkit.sim.profile import Profile, ProfileFile
from hilkit.testing import BenchOnTest, simulated_bench

SHIPPED = library() / "sim_profiles"
NO_MATCH_ERROR = "200 dB"
LOSSES_DB = (20.0, 0.5, 3.0, 1.5, 1.0)
"""Loss of coupler, switch, pad, step attenuator at 0 dB, cable: truly there, and what the bench file says."""

QUIET_RADIO = {
    "amplifier": {"full_scale": "23.5 dBm", "intercept": "200 dBm", "noise_density": "-220 dBm/Hz"},
    "attenuator": {},
    "leak": "-250 dBm",
    "crosstalk": "250 dB",
    "match": NO_MATCH_ERROR,
}
EXACT_ANALYSER = {
    "noise_density": "-160 dBm/Hz",
    "intercept": "200 dBm",
    "second_order_intercept": "300 dBm",
    "phase_noise": {"density": "-220 dBc/Hz", "corner": "150 kHz", "far": "-220 dBc/Hz"},
    "zero_feedthrough": "-250 dBm",
    "spurs": [],
    "match": NO_MATCH_ERROR,
    "span_error": "0 %",
    **dict.fromkeys(("filter_error",), "0 %"),
    **dict.fromkeys(
        (
            "level_error",
            "level_slope_per_ghz",
            "attenuation_error_sd",
            "filter_level_error_sd",
            "range_error_sd",
            "scale_error_per_10db",
        ),
        "0 dB",
    ),
}


def without_errors(data: dict[str, Any]) -> None:
    """Take every error out of the data of a profile but those of the modulators."""
    for channel in data["radio"]["channels"].values():
        channel.update(QUIET_RADIO)
    data["analysers"]["analyser"].update(EXACT_ANALYSER)
    data["pads"]["pad"].update({"error_sd": "0 dB", "error_slope_sd_per_ghz": "0 dB"})
    for path in data["paths"].values():
        relay = next(element["close"] for element in path["elements"] if element["kind"] == "relay")
        kinds: tuple[dict[str, Any], ...] = (
            {"kind": "coupler"},
            {"kind": "relay", "relay": "relay", "close": relay},
            {"kind": "pad"},
            {"kind": "step_attenuator", "pad": "pad"},
            {"kind": "table"},
        )
        path["elements"] = [
            {**kind, "loss": f"{loss_db} dB", "match": NO_MATCH_ERROR}
            for kind, loss_db in zip(kinds, LOSSES_DB, strict=True)
        ]


def believed(folder: Path) -> Path:
    """Write the shipped bench file with paths of these losses, and return it."""
    data = copy.deepcopy(load(SHIPPED / "simulated_pier.bench.yaml").data)
    coupler, switch, pad, step, cable = (f"{loss_db} dB" for loss_db in LOSSES_DB)
    for name, elements in data["paths"].items():
        close = next(element["close"] for element in elements if element.get("kind") == "switch")
        data["paths"][name] = [
            {"node": f"radio {name} port"},
            {"kind": "coupler", "loss": coupler},
            {"kind": "switch", "instrument": "relay", "close": close, "loss": switch},
            {"kind": "pad", "loss": pad},
            {"kind": "step_attenuator", "instrument": "pad", "loss": step, "node_in": "pad input"},
            {"kind": "cable", "loss": cable, "node_out": "analyser input"},
        ]
    data["ratings"] = {"pad input": "27 dBm", "analyser input": "27 dBm"}
    file = folder / "ideal.bench.yaml"
    file.write_text(json.dumps(data, indent=1, default=str), encoding="utf-8")  # JSON is YAML 1.2
    return file


@contextmanager
def ideal_bench(
    folder: Path, *, modulator: dict[str, Any] | None = None, analyser: dict[str, Any] | None = None
) -> Iterator[BenchOnTest]:
    """Connect the ideal bench.

    ``modulator`` is what both channels' modulators have, before and after correction; ``analyser`` replaces
    values of the analyser's profile.
    """
    data = copy.deepcopy(load(SHIPPED / "simulated_pier.yaml").data)
    without_errors(data)
    for channel in data["radio"]["channels"].values():
        channel["modulator"] = dict.fromkeys(("raw", "calibrated", "corrected"), modulator or {})
        # Corrections that settle at once on any image, so that they stay out of the way.
        channel["corrections"].update({"worst_image": "0 dBc", "lowest_level": "-100 dBm"})
    data["analysers"]["analyser"].update(analyser or {})
    profile = Profile(file=ProfileFile.model_validate(data), folder=SHIPPED)
    with simulated_bench(profile=profile, bench=believed(folder), seed=1) as bench:
        yield bench


def measure(bench: BenchOnTest, name: str, **settings: Any) -> list[Measured]:
    """Run a procedure and return its readings."""
    procedure = find(name)
    return list(procedure.measure(bench.session, procedure.settings_model.model_validate(settings)))

"""The shipped bench without its own errors: what is left in a reading comes from one imperfection put in on
purpose.

Every match is perfect, every loss the same at all frequencies and known, the amplifier and the analyser are
linear and quiet; the I/Q modulator has the faults that a test gives it and no others.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.procedures.rig import Rig, rig

NO_MATCH_ERROR = "200 dB"
ELEMENTS = """\
    - {kind: coupler, name: coupler 1, loss: {1.7 GHz: 20.1 dB, 2.5 GHz: 19.8 dB}, uncertainty: 0.2 dB}
    - {kind: coupler, name: coupler 2, loss: {1.7 GHz: 20.25 dB, 2.5 GHz: 20.1 dB}, uncertainty: 0.2 dB}
    - {kind: touchstone, name: measured line, file: measured_line.s2p, uncertainty: 0.05 dB}
    - {kind: cable, name: analyser cable, loss: {1 GHz: 0.6 dB, 2 GHz: 0.9 dB, 3 GHz: 1.1 dB}, law: sqrt_f, \
uncertainty: 0.05 dB, node_out: analyser input}
""".splitlines()
PATH_CHANGES = (
    (ELEMENTS[0], "    - {kind: coupler, loss: 20 dB}"),
    (ELEMENTS[1], "    - {kind: coupler, loss: 20 dB}"),
    (ELEMENTS[2] + "\n", ""),
    (ELEMENTS[3], "    - {kind: cable, loss: 1 dB, node_out: analyser input}"),
    ("loss: {1.7 GHz: 0.35 dB, 2.5 GHz: 0.4 dB}, uncertainty: 0.1 dB", "loss: 0.5 dB"),
    ("loss: {1.7 GHz: 1.65 dB, 2.5 GHz: 1.9 dB}, uncertainty: 0.15 dB", "loss: 1.5 dB"),
)
"""The bench file's paths, made equal to those of :func:`without_errors`."""

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
        path["elements"] = [
            {"kind": "coupler", "loss": "20 dB", "match": NO_MATCH_ERROR},
            {"kind": "relay", "relay": "relay", "close": relay, "loss": "0.5 dB", "match": NO_MATCH_ERROR},
            {"kind": "pad", "loss": "3 dB", "match": NO_MATCH_ERROR},
            {"kind": "step_attenuator", "pad": "pad", "loss": "1.5 dB", "match": NO_MATCH_ERROR},
            {"kind": "pad", "loss": "1 dB", "match": NO_MATCH_ERROR},
        ]


@contextmanager
def ideal_bench(
    folder: Path,
    *,
    modulator: dict[str, Any] | None = None,
    analyser: dict[str, Any] | None = None,
    edit: Callable[[dict[str, Any]], None] = lambda data: None,
    seed: int = 1,
) -> Iterator[Rig]:
    """Connect the ideal bench; ``modulator`` is what both channels' modulators have, before and after
    correction.

    ``analyser`` replaces values of the analyser's profile.
    """

    def prepared(data: dict[str, Any]) -> None:
        without_errors(data)
        for channel in data["radio"]["channels"].values():
            fault = dict(modulator or {})
            state = {key: fault.pop(key) for key in ("gain", "phase", "offset_i", "offset_q") if key in fault}
            channel["modulator"] = {"raw": state, "calibrated": state, "corrected": state, **fault}
            # Corrections that settle at once on any image, so that they stay out of the way.
            channel["corrections"].update({"worst_image": "0 dBc", "lowest_level": "-100 dBm"})
        data["analysers"]["analyser"].update(analyser or {})
        edit(data)

    with rig(folder, *PATH_CHANGES, edit=prepared, seed=seed) as pier:
        yield pier

"""A simulated bench as the bench file says that the real one is: every loss, range and level taken at its
word, without errors of its own.

What a bench file does not say (noise, distortion, time to lock, imperfections of the modulator) is taken from
a good bench, so that there is something to read.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from pathlib import Path as FilePath
from typing import Any

import numpy as np

from hilkit.bench import Bench, InstrumentSpec, Path
from hilkit.bench.path import Element
from hilkit.instruments import Dialect, Limits
from hilkit.plans import Plan
from hilkit.sim.profile import Profile, ProfileFile
from hilkit.testing.rehearsal.receive import noise_source_content, receive_content, receiver_content
from hilkit.testing.rehearsal.supplies import radio_draw, supply_content

__all__ = ["BELOW_MAX_DB", "profile_of", "waveforms_of"]

BELOW_MAX_DB = 0.3
"""How far the simulated radio's full scale stays below ``max_level``, which no radio may exceed."""

_MATCH = "100 dB"
_POINTS = 41
_CLASSES = {
    "signal_analyser": "analysers",
    "step_attenuator": "pads",
    "switch_matrix": "relays",
    "signal_generator": "generators",
    "power_meter": "power_meters",
    "dc_supply": "supplies",
    "noise_source": "noise_sources",
}


def profile_of(bench: Bench, plan: Plan, resources: Mapping[str, str]) -> Profile:
    """Return the profile of a bench; ``resources`` are the addresses by name, that of the radio ``radio``."""
    content: dict[str, Any] = {
        "profile": f"rehearsal of {bench.name}",
        "about": "made from a bench file, in memory",
        "radio": _radio(bench, waveforms_of(plan), resources["radio"]),
        "paths": _paths(bench),
        "receive": receive_content(bench),
        **{key: {} for key in _CLASSES.values()},
    }
    for name, spec in bench.instruments.items():
        key = _CLASSES[spec.instrument_class]
        content[key][name] = {
            "resource": resources[name],
            "identity": {"maker": "Simulated", "model": spec.model or name, "serial": spec.serial or "0"},
            **_MAKERS[key](bench, spec),
        }
    return Profile(file=ProfileFile.model_validate(content), folder=FilePath())


def waveforms_of(plan: Plan) -> dict[str, float]:
    """Return the waveforms that the plan plays, with an occupied width in Hz that fits where it is read."""
    found: dict[str, float] = {}
    for combination, step in plan.runs():
        settings = step.settings(combination)
        bandwidth = getattr(settings, "bandwidth", None)
        for key in ("waveform", "full", "single"):
            if isinstance(name := getattr(settings, key, None), str):
                found[name] = 0.95 * bandwidth.hz if bandwidth is not None else 1e6
    return found


def _limits(dialect: Dialect, capability: str) -> Limits:
    found = dialect.capabilities.get(capability)
    return found.limits if found is not None else Limits()


def _radio(bench: Bench, waveforms: Mapping[str, float], resource: str) -> dict[str, Any]:
    spec = bench.radio_spec
    attenuation = _limits(spec.dialect, "attenuation")
    return {
        "resource": resource,
        "identity": {"model": spec.model or "radio", "serial": spec.serial or "0", "build": "simulated"},
        "bands": [{"low": f"{low:.0f} Hz", "high": f"{high:.0f} Hz"} for low, high in bench.radio.bands_hz],
        "largest_offset": f"{bench.radio.bandwidth_hz / 2:.0f} Hz",
        "waveforms": {
            name: {"occupied": f"{width:.0f} Hz", "edge": f"{width / 60:.0f} Hz"}
            for name, width in waveforms.items()
        },
        "draw": radio_draw(bench),
        "channels": {
            str(number): _channel(bench, attenuation, receiver_content(bench, number))
            for number in bench.channels
        },
    }


def _channel(bench: Bench, attenuation: Limits, receiver: dict[str, Any]) -> dict[str, Any]:
    level = bench.radio.max_level_dbm
    return {
        "modulator": {
            "raw": {"gain": "0.4 dB", "phase": "4 deg", "offset_i": 0.015, "offset_q": -0.012},
            "calibrated": {"gain": "0.1 dB", "phase": "0.8 deg", "offset_i": 0.003, "offset_q": 0.002},
            "corrected": {"gain": "0.012 dB", "phase": "0.08 deg", "offset_i": 4e-4, "offset_q": -3e-4},
            "cubic_i": -0.012,
            "cubic_q": -0.012,
        },
        "attenuator": {
            "high": f"{attenuation.maximum:g} dB",
            "step": f"{attenuation.step or 0.01:g} dB",
        },
        "amplifier": {
            "full_scale": f"{level - BELOW_MAX_DB:.3f} dBm",
            "intercept": f"{level + 18:.3f} dBm",
            "noise_density": f"{level - 174:.3f} dBm/Hz",
        },
        "synthesiser": {
            "lock_time": "60 ms",
            "plateau": "-100 dBc/Hz",
            "corner": "60 kHz",
            "far": "-150 dBc/Hz",
        },
        "corrections": {
            "settle_time": "1.3 s",
            "lowest_level": f"{level - 39:.3f} dBm",
            "worst_image": "-30 dBc",
        },
        **receiver,
        "leak": f"{level - 105:.3f} dBm",
        "off_residue": f"{level - 110:.3f} dBm",
        "match": _MATCH,
    }


def _paths(bench: Bench) -> dict[str, Any]:
    analyser = next((spec.name for spec in bench.of_class("signal_analyser")), "")
    found = {}
    for number in bench.channels:
        path = bench.path(number)
        elements = [_element(each, path, bench) for each in path.elements]
        _calibrated(path, elements, bench)
        found[path.name] = {"channel": number, "analyser": analyser, "elements": elements}
    return found


def _element(element: Element, path: Path, bench: Bench) -> dict[str, Any]:
    grid = _grid_hz(element, bench)
    losses = element.loss.at(np.array(grid))
    common = {"match": _MATCH}
    if losses.min() < 0:
        return {"kind": "amplifier", "gain": _table(grid, -losses), **common}
    loss = _table(grid, losses)
    if element.is_pad:
        return {"kind": "step_attenuator", "pad": element.instrument, "loss": loss, **common}
    if element.close:
        # Simulated ways that are closed together share the power; those of one path are in series instead.
        together = len(path.switch_positions[element.instrument])
        loss = _table(grid, losses - 20 * math.log10((together + 1) / 2))
        return {
            "kind": "relay",
            "relay": element.instrument,
            "close": element.close[0],
            "loss": loss,
            **common,
        }
    return {"kind": "table", "loss": loss, **common}


def _calibrated(path: Path, elements: list[dict[str, Any]], bench: Bench) -> None:
    """Let the path have the loss that its calibration found, the difference in the element that has most."""
    if not path.calibrations:
        return
    low, high = path.coverage_hz
    grid = [hz for hz in _used_hz(bench) if low <= hz <= high]
    if not grid:
        return
    most = max(range(len(elements)), key=lambda place: float(path.elements[place].loss.at(np.array(grid))[0]))
    axis = np.array(grid)
    parts = sum(each.loss.at(axis) for each in path.elements)
    elements[most]["loss"] = _table(
        grid, path.elements[most].loss.at(axis) + path.losses_db(axis) - np.asarray(parts)
    )


def _table(grid_hz: Iterable[float], values_db: Iterable[float]) -> dict[str, str]:
    return {f"{hz:.0f} Hz": f"{db:.6f} dB" for hz, db in zip(grid_hz, values_db, strict=True)}


def _grid_hz(element: Element, bench: Bench) -> list[float]:
    """Return frequencies at which the loss of an element is taken over: all that it knows, none beyond."""
    low, high = element.loss.coverage_hz
    points = {float(round(hz)) for hz in (*_used_hz(bench), *element.loss.grid_hz)}
    inside = sorted(hz for hz in points if low <= hz <= high)
    if inside:
        return inside
    return [float(math.ceil(low))]


def _used_hz(bench: Bench) -> list[float]:
    half = bench.radio.bandwidth_hz
    found: list[float] = []
    for low, high in bench.radio.bands_hz:
        found += np.linspace(max(1e3, low - half), high + half, _POINTS).tolist()
    return found


def _analyser(bench: Bench, spec: InstrumentSpec) -> dict[str, Any]:
    dialect = spec.dialect
    centre = _limits(dialect, "centre")
    ratio = dialect.noise_bandwidth_ratio or 1.0645
    return {
        "low": f"{centre.minimum or 9e3:.0f} Hz",
        "high": f"{centre.maximum or 7e9:.0f} Hz",
        "noise_density": "-150 dBm/Hz",
        "noise_density_preamplified": "-163 dBm/Hz",
        "phase_noise": {"density": "-108 dBc/Hz", "corner": "150 kHz", "far": "-148 dBc/Hz"},
        # four synchronously tuned poles have 1.128, a Gaussian filter 1.0645
        "filter_shape": "four_pole" if ratio > 1.1 else "gaussian",
        "sweep_factor": dialect.sweep_time.factor if dialect.sweep_time is not None else 2.5,
        "match": _MATCH,
    }


def _pad(bench: Bench, spec: InstrumentSpec) -> dict[str, Any]:
    limits = _limits(spec.dialect, "attenuation")
    return {
        "low": f"{limits.minimum or 0.0:g} dB",
        "high": f"{limits.maximum or 100.0:g} dB",
        "step": f"{limits.step or 0.01:g} dB",
        "settle_time": f"{spec.dialect.settling_s:g} s",
    }


def _relay(bench: Bench, spec: InstrumentSpec) -> dict[str, Any]:
    channels = {
        channel
        for path in bench.paths.values()
        for element in path.elements
        if element.instrument == spec.name
        for channel in element.close
    }
    return {"channels": sorted(channels), "settle_time": f"{spec.dialect.settling_s:g} s"}


def _generator(bench: Bench, spec: InstrumentSpec) -> dict[str, Any]:
    frequency, level = _limits(spec.dialect, "frequency"), _limits(spec.dialect, "level")
    return {
        "low": f"{frequency.minimum or 9e3:.0f} Hz",
        "high": f"{frequency.maximum or 6e9:.0f} Hz",
        "lowest": f"{-120.0 if level.minimum is None else level.minimum:g} dBm",
        "highest": f"{16.0 if level.maximum is None else level.maximum:g} dBm",
        "settle_time": f"{spec.dialect.settling_s:g} s",
        "match": _MATCH,
    }


def _meter(bench: Bench, spec: InstrumentSpec) -> dict[str, Any]:
    frequency = _limits(spec.dialect, "frequency")
    rating = bench.ratings.get(f"{spec.name} sensor", 20.0)
    return {
        "low": f"{frequency.minimum or 10e6:.0f} Hz",
        "high": f"{frequency.maximum or 18e9:.0f} Hz",
        "highest": f"{rating:g} dBm",
        "noise_sd": "400 pW",
        "reading_time": f"{spec.dialect.reading_time_s or 0.02:g} s",
        "zero_time": f"{spec.dialect.zeroing_time_s or 5.0:g} s",
        "match": _MATCH,
    }


_MAKERS: dict[str, Any] = {
    "analysers": _analyser,
    "pads": _pad,
    "relays": _relay,
    "generators": _generator,
    "power_meters": _meter,
    "supplies": supply_content,
    "noise_sources": noise_source_content,
}

"""Simulated benches whose truth is drawn at random inside what the shipped bench file states, and their
readings beside the true values."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from hilkit.bench import Bench
from hilkit.bench.accuracy import AccuracyFigure
from hilkit.clock import VirtualClock
from hilkit.files import Lab
from hilkit.instruments import NullTranscript
from hilkit.judgement.correlation import LIGHT_M_S
from hilkit.procedures import find
from hilkit.quantities import Frequency, Ratio
from hilkit.readings import Distribution, Measured
from hilkit.safety import Session
from hilkit.sim import open_simulated
from hilkit.sim.profile import Profile, ProfileFile
from hilkit.sim.transmitter import band
from tests.procedures.rig import CARRIER, SHIPPED, TONE, by_key, profile_data
from tests.procedures.truth import lines_dbm

CARRIER_HZ = 1842.5e6
STREAM = {"channel": 1, "carrier": CARRIER, "bandwidth": "20 MHz", "waveform": "nr20", "attenuation": "6 dB"}
QUANTITIES = ("tone_level", "image", "lo_leakage", "third_harmonic", "tone_frequency_error", "channel_power")
# What the simulated analyser adds for each of its states is drawn by itself, normal and cut at 2.5 sigma.
STATES = (
    ("attenuation_switching: 0.1 dB", "attenuation_switching: {standard: 0.04 dB}"),
    ("rbw_switching: 0.08 dB", "rbw_switching: {standard: 0.03 dB}"),
    ("reference_level: 0.08 dB", "reference_level: {standard: 0.03 dB}"),
    # Nothing of it is unsteady but its noise.
    ("      repeatability: 0.02 dB\n", ""),
)


def drawn_profile(rng: np.random.Generator, bench: Bench) -> dict[str, Any]:
    """Return the data of a profile for which everything that ``bench`` states is true."""
    data = profile_data()
    data["seed"] = int(rng.integers(1, 2**31))
    data["reference"] = {"error": f"{1e9 * _draw(rng, bench.reference_accuracy):.6f} ppb"}
    _analyser(rng, data["analysers"]["analyser"], bench)
    data["pads"]["pad"] |= {"error_sd": "0 dB", "error_slope_sd_per_ghz": "0 dB"}
    data["pads"]["pad"]["errors"] = {
        f"{code} dB": f"{_draw(rng, bench.instruments['pad'].figure('attenuation')):.6f} dB"
        for code in range(1, 64)
    }
    for channel, path in bench.radio.channels.items():
        data["radio"]["channels"][str(channel)] |= _match(rng, 1.2)
        believed = bench.paths[path].elements
        for truth, element in zip(data["paths"][path]["elements"], believed, strict=True):
            _element(rng, truth, element)
    return data


def _analyser(rng: np.random.Generator, truth: dict[str, Any], bench: Bench) -> None:
    def figure(key: str) -> float:
        return _draw(rng, bench.instruments["analyser"].figure(key))

    truth |= {
        "level_error": f"{figure('level'):.6f} dB",
        "level_slope_per_ghz": f"{figure('flatness') / (CARRIER_HZ / 1e9 - 2):.6f} dB",
        "scale_error_per_10db": f"{figure('linearity_per_10db'):.6f} dB",
        "span_error": f"{100 * figure('span_axis'):.6f} %",
        "filter_error": f"{100 * figure('noise_bandwidth'):.6f} %",
        "attenuation_error_sd": "0.04 dB",
        "filter_level_error_sd": "0.03 dB",
        "range_error_sd": "0.03 dB",
        **_match(rng, 1.2),
    }


def _element(rng: np.random.Generator, truth: dict[str, Any], element: Any) -> None:
    if truth["kind"] == "touchstone":
        return
    error_db = _draw(rng, element.uncertainty)
    if element.repeatability is not None:  # contacts, which close once for all readings of a bench
        error_db += _draw(rng, element.repeatability)
    truth |= _match(rng, 1.1)
    truth["delay"] = f"{1e9 * element.length_m / LIGHT_M_S:.6f} ns"
    if truth["kind"] == "cable":
        # Conductor loss alone, through the loss that is believed at the carrier.
        loss_db = float(element.loss.at(np.array([CARRIER_HZ]))[0]) + error_db
        truth |= {"conductor": f"{loss_db / np.sqrt(CARRIER_HZ / 1e9):.6f} dB", "dielectric": "0 dB"}
        return
    grid = {hz: float(element.loss.at(np.array([hz]))[0]) + error_db for hz in (1.7e9, 2.5e9)}
    truth["loss"] = {str(Frequency(hz)): str(Ratio(round(loss, 6))) for hz, loss in grid.items()}


def _draw(rng: np.random.Generator, figure: AccuracyFigure | None) -> float:
    assert figure is not None
    if figure.distribution is Distribution.NORMAL:
        return float(rng.normal(0, figure.standard))
    assert figure.half_width is not None
    return float(rng.uniform(-figure.half_width, figure.half_width))


def _match(rng: np.random.Generator, vswr: float) -> dict[str, str]:
    """Anywhere in the disc that a VSWR allows."""
    size = (vswr - 1) / (vswr + 1) * np.sqrt(rng.uniform(1e-6, 1))
    return {"match": f"{-20 * np.log10(size):.4f} dB", "match_phase": f"{rng.uniform(0, 360):.3f} deg"}


def one_bench(
    bench: Bench, data: dict[str, Any], seed: int, lab: Lab
) -> Iterator[tuple[str, Measured, float]]:
    """Yield each reading of ``QUANTITIES`` with its true value."""
    clock = VirtualClock()
    profile = Profile(file=ProfileFile.model_validate(data), folder=SHIPPED)
    manager, world = open_simulated(profile, clock, seed)
    with bench.connect(manager, clock, NullTranscript(), lab) as connected:
        session = Session(connected, clock, on_fact=lambda *_: None, on_note=lambda _: None)

        def run(name: str, **settings: object) -> dict[tuple[str, str], Measured]:
            procedure = find(name)
            return by_key(list(procedure.measure(session, procedure.settings_model.model_validate(settings))))

        run("bring_up", channel=1, carrier=CARRIER, reference="external")
        lines = run("tone_placement", **TONE, corrections=False)
        at_port = lines_dbm(world, 1, 7.5e6, at="port")
        yield "tone_level", lines["tone_level", "uncorrected"], at_port[1]
        for name, multiple in (("image", -1), ("lo_leakage", 0), ("third_harmonic", -3)):
            yield name, lines[name, "uncorrected"], at_port[multiple] - at_port[1]
        # The radio follows the house reference, so its tone is off by as much as that.
        off_hz = profile.file.reference.error.value * (CARRIER_HZ + 7.5e6)
        yield "tone_frequency_error", lines["tone_frequency_error", "uncorrected"], off_hz
        power = run("channel_power", **STREAM)["channel_power", ""]
        sent = band(world.radio.transmission(1, clock.now()))
        assert sent is not None
        yield "channel_power", power, 10 * np.log10(sent.power_w) + 30

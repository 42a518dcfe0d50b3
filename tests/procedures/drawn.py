"""Simulated benches whose truth is drawn at random inside what the shipped bench file states, and their
readings beside the true values.

Each figure of the bench file is drawn from the very distribution that it states, once for each bench; what it
states of the analyser's repeatability is drawn whenever its settings change.
"""

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
# Where the losses of the elements are given to the simulator: the lines of the tone lie within, and of the
# one law that is no straight line there, the cable's, three points leave 0.00002 dB.
GRID_HZ = np.linspace(1.8e9, 1.885e9, 3)
PAD_CODES_DB = range(1, 21)


def drawn_profile(rng: np.random.Generator, bench: Bench) -> dict[str, Any]:
    """Return the data of a profile for which everything that ``bench`` states is true."""
    data = profile_data()
    data["seed"] = int(rng.integers(1, 2**31))
    data["reference"] = {"error": f"{1e9 * _draw(rng, bench.reference_accuracy):.6f} ppb"}
    _analyser(rng, data["analysers"]["analyser"], bench)
    data["pads"]["pad"] |= {"error_sd": "0 dB", "error_slope_sd_per_ghz": "0 dB"}
    data["pads"]["pad"]["errors"] = {
        f"{code} dB": f"{_draw(rng, bench.instruments['pad'].figure('attenuation')):.6f} dB"
        for code in PAD_CODES_DB
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

    def even(key: str) -> float:
        """A state's errors are drawn in the simulator, for as many states as come up."""
        stated = bench.instruments["analyser"].figure(key)
        assert stated is not None
        assert stated.distribution is Distribution.RECTANGULAR
        return stated.standard

    accuracy = bench.instruments["analyser"].accuracy
    assert accuracy is not None
    assert accuracy.third_order_intercept is not None
    repeatability = bench.instruments["analyser"].figure("repeatability")
    assert repeatability is not None
    assert repeatability.distribution is Distribution.RECTANGULAR
    truth |= {
        # Flatness stays the same over all that is read around one carrier: flatness_over in the bench file.
        "level_error": f"{figure('level') + figure('flatness'):.6f} dB",
        "level_slope_per_ghz": "0 dB",
        "scale_error_per_10db": f"{figure('linearity_per_10db'):.6f} dB",
        "span_error": f"{100 * figure('span_axis'):.6f} %",
        "filter_error": f"{100 * figure('noise_bandwidth'):.6f} %",
        "attenuation_error_sd": f"{even('attenuation_switching'):.9f} dB",
        "filter_level_error_sd": f"{even('rbw_switching'):.9f} dB",
        "range_error_sd": f"{even('reference_level'):.9f} dB",
        "error_shape": "rectangular",
        "repeatability": f"{repeatability.half_width:.6f} dB",
        "intercept": str(accuracy.third_order_intercept),
        "intercept_phase": f"{rng.uniform(0, 360):.3f} deg",
        **_match(rng, 1.2),
    }


def _element(rng: np.random.Generator, truth: dict[str, Any], element: Any) -> None:
    error_db = _draw(rng, element.uncertainty)
    if truth["kind"] == "touchstone":
        truth["excess"] = f"{error_db:.6f} dB"
        return
    if element.repeatability is not None:  # contacts, which close once for all readings of a bench
        error_db += _draw(rng, element.repeatability)
    truth |= _matches(rng, 1.1, least_loss_db=float(element.loss.at(GRID_HZ).min()) + error_db)
    truth["delay"] = f"{1e9 * element.length_m / LIGHT_M_S:.6f} ns"
    if truth["kind"] == "cable":  # one of two laws, neither of which is that of the bench file's table
        truth["kind"] = "table"
        del truth["conductor"], truth["dielectric"]
    losses = zip(GRID_HZ, element.loss.at(GRID_HZ) + error_db, strict=True)
    truth["loss"] = {str(Frequency(hz)): str(Ratio(round(float(loss), 6))) for hz, loss in losses}


def _draw(rng: np.random.Generator, figure: AccuracyFigure | None) -> float:
    assert figure is not None
    if figure.distribution is Distribution.NORMAL:
        return float(rng.normal(0, figure.standard))
    assert figure.half_width is not None
    return float(rng.uniform(-figure.half_width, figure.half_width))


def _matches(rng: np.random.Generator, vswr: float, *, least_loss_db: float) -> dict[str, str]:
    """Both ends of an element, each by itself, as far as no energy is made (columns of norm 1 at most)."""
    gain = 10 ** (-least_loss_db / 20)
    while True:
        near, far = _disc(rng, vswr), _disc(rng, vswr)
        if np.linalg.norm(np.array([[near, gain], [gain, far]]), 2) <= 1:
            return _reflecting(near) | {f"match_out{key[5:]}": text for key, text in _reflecting(far).items()}


def _disc(rng: np.random.Generator, vswr: float) -> complex:
    """Anywhere in the disc that a VSWR allows."""
    size = (vswr - 1) / (vswr + 1) * np.sqrt(rng.uniform(1e-6, 1))
    return complex(size * np.exp(2j * np.pi * rng.uniform()))


def _reflecting(gamma: complex) -> dict[str, str]:
    return {
        "match": f"{-20 * np.log10(abs(gamma)):.4f} dB",
        "match_phase": f"{np.degrees(np.angle(gamma)):.3f} deg",
    }


def _match(rng: np.random.Generator, vswr: float) -> dict[str, str]:
    return _reflecting(_disc(rng, vswr))


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

"""The interval that a budget states holds the true value about as often as it promises.

No source outside: the truth is the simulated chain itself (a noiseless long FFT of the tone at the port, the
power of the simulated stream), drawn anew for each bench inside the very figures that its bench file states.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pytest
from scipy import stats

from hilkit.bench import Bench
from hilkit.clock import VirtualClock
from hilkit.files import Lab
from hilkit.instruments import NullTranscript
from hilkit.judgement.uncertainty import combine
from hilkit.procedures import find
from hilkit.readings import Measured
from hilkit.safety import Session
from hilkit.sim import open_simulated
from hilkit.sim.profile import Profile, ProfileFile
from hilkit.sim.transmitter import band
from tests.procedures.drawn import CARRIER_HZ, STATES, drawn_profile
from tests.procedures.rig import CARRIER, SHIPPED, TONE, by_key, load_pier
from tests.procedures.truth import lines_dbm

BENCHES = 200
SEED = 20261125
PROMISED = 0.95
# One run in a thousand may fall outside by chance, for each quantity and side.
TAIL = 5e-4
STREAM = {"channel": 1, "carrier": CARRIER, "bandwidth": "20 MHz", "waveform": "nr20", "attenuation": "6 dB"}
QUANTITIES = ("tone_level", "image", "lo_leakage", "third_harmonic", "tone_frequency_error", "channel_power")


@dataclass(frozen=True, kw_only=True)
class Found:
    """Error of one reading, and what was stated about it."""

    error: float
    standard: float
    expanded: float

    @property
    def inside(self) -> bool:
        return abs(self.error) <= self.expanded


@pytest.fixture(scope="module")
def found(tmp_path_factory) -> dict[str, list[Found]]:
    folder = tmp_path_factory.mktemp("drawn")
    bench = load_pier(folder, *STATES)
    rng = np.random.default_rng(SEED)
    everything: dict[str, list[Found]] = defaultdict(list)
    for number in range(BENCHES):
        for name, reading, truth in one_bench(bench, drawn_profile(rng, bench), number, Lab(folder)):
            stated = combine(reading.budget)
            everything[name].append(
                Found(error=reading.value - truth, standard=stated.standard, expanded=stated.expanded)
            )
    return everything


def one_bench(bench: Bench, data: dict, seed: int, lab: Lab) -> Iterator[tuple[str, Measured, float]]:
    """Yield each reading with its true value."""
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


@pytest.mark.parametrize("name", QUANTITIES)
def test_the_stated_interval_holds_the_truth_as_often_as_it_says(found, name):
    inside = sum(each.inside for each in found[name])
    least = stats.binom.ppf(TAIL, BENCHES, PROMISED)
    most = stats.binom.ppf(1 - TAIL, BENCHES, 0.98)
    assert least <= inside <= most, f"{inside} of {BENCHES}, {least:g} to {most:g} are as promised"


@pytest.mark.parametrize("name", QUANTITIES)
def test_the_errors_are_as_large_as_the_budget_says(found, name):
    """A budget twice too wide would still hold the truth: the spread of the errors is what it has to be."""
    errors = np.array([each.error for each in found[name]])
    stated = np.sqrt(np.mean([each.standard**2 for each in found[name]]))
    assert np.sqrt(np.mean(errors**2)) == pytest.approx(stated, rel=0.25)

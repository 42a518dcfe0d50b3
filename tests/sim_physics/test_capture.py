"""I/Q captures of the simulated bench: the stream in time agrees with its spectrum and shows its errors."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from hilkit.analysis.modulation import demodulate_ofdm, known_grid, numerology
from hilkit.clock import VirtualClock
from hilkit.errors import MeasurementError
from hilkit.sim import open_simulated
from hilkit.sim.capture import CaptureRequest
from hilkit.sim.profile import load_profile
from hilkit.sim.world import World

REQUEST = CaptureRequest(
    centre_hz=1842.5e6,
    rate_hz=30.72e6,
    count=337_920,
    attenuation_db=10.0,
    reference_level_dbm=10.0,
    external_reference=True,
)
LINES = ("clockin external", "lo 1 1842500000", "trim 1 12", "tune 1", "play 1 file nr20 -15", "play 1 start")


@pytest.fixture
def bench() -> Any:
    """A bench with a stream of known symbols on channel 1, routed to the analyser."""
    manager, world = open_simulated(load_profile("simulated_pier"), VirtualClock())
    for line in (*LINES, "rf 1 on"):
        assert world.radio.handle_line(line) == "ok", line
        world.clock.sleep(2.0)
    world.relays["relay"].close([101])
    world.pads["pad"].set(0)
    world.select_reference("analyser", external=True)
    world.clock.sleep(5.0)
    yield world
    manager.close()


def test_the_power_in_time_is_that_of_the_spectrum(bench: World) -> None:
    taken = bench.capture("analyser", REQUEST, ("power", 1))
    assert not taken.overload
    in_time = 10 * math.log10(float(np.mean(np.abs(taken.samples) ** 2)))
    error_db = bench.receivers["analyser"].level_error_db(REQUEST.as_sweep())
    arrival = bench.arrival("analyser", REQUEST.as_sweep())
    sent = 10 * math.log10(
        sum(band.power_w for band in arrival.bands)
        + sum(float(np.sum(np.abs(comb.amplitudes) ** 2)) for comb in arrival.combs)
    )
    assert in_time - error_db == pytest.approx(sent, abs=0.1)


def test_the_known_symbols_come_back_with_the_errors_of_the_chain(bench: World) -> None:
    numbers = numerology(20e6, 15e3)
    taken = bench.capture("analyser", REQUEST, ("symbols", 1))
    found = demodulate_ofdm(
        taken.samples, rate_hz=REQUEST.rate_hz, numbers=numbers, grid=known_grid(numbers, "64qam")
    )
    assert found.slots == 10
    transmission = bench.radio.transmission(1, bench.clock.now())
    # Carrier leakage of the modulator and past the attenuator, and the image, by themselves:
    skew = transmission.modulator.quadrature.skew
    image = abs(1 - skew) / abs(1 + skew)
    leak = math.hypot(*(10 ** (found.origin_offset_db / 20), image))
    assert found.rms > 0.95 * leak
    assert found.rms < leak + 0.02


def test_one_key_gives_one_capture_and_another_key_another(bench: World) -> None:
    first, again, other = (bench.capture("analyser", REQUEST, ("k", n)).samples for n in (1, 1, 2))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_without_rf_there_is_no_carrier(bench: World) -> None:
    assert bench.radio.handle_line("rf 1 off") == "ok"
    bench.clock.sleep(1.0)
    numbers = numerology(20e6, 15e3)
    taken = bench.capture("analyser", REQUEST, ("off", 1))
    with pytest.raises(MeasurementError, match="no carrier found"):
        demodulate_ofdm(
            taken.samples, rate_hz=REQUEST.rate_hz, numbers=numbers, grid=known_grid(numbers, "64qam")
        )

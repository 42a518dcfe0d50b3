"""The bench as a whole: what the analyser shows is what the radio sends, through what lies between."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from hilkit.clock import VirtualClock
from hilkit.sim.frontend import Arrival, Comb, FrontEnd
from hilkit.sim.profile import Profile, ProfileFile
from hilkit.sim.receiver import SweepRequest, SweepResult
from hilkit.sim.world import World

Tell = Callable[..., str]
CARRIER_HZ, OFFSET_HZ = 1842.5e6, 7.5e6


def axis(request: SweepRequest) -> np.ndarray:
    return request.centre_hz + np.linspace(-0.5, 0.5, request.points) * request.span_hz


def narrow(request: SweepRequest, centre_hz: float, **changes: Any) -> SweepRequest:
    """A sweep so narrow that a line fills its middle: the level is read at the top."""
    return replace(
        request,
        **{
            "centre_hz": centre_hz,
            "span_hz": 20e3,
            "rbw_hz": 10e3,
            "points": 201,
            "sweep_time_s": 0.2,
            **changes,
        },
    )


def top_dbm(world: World, request: SweepRequest, name: str = "analyser") -> float:
    return float(world.sweep(name, request, ("top", 1)).level_dbm.max())


def changed(profile: Profile, **changes: Any) -> Profile:
    """The same bench with other values in its analyser."""
    file = profile.file
    analyser = file.analysers["analyser"]
    data = analyser.model_dump()
    parsed = type(analyser).model_validate({**data, **changes})
    return Profile(
        file=ProfileFile.model_validate({**dict(file), "analysers": {"analyser": parsed}}),
        folder=profile.folder,
    )


IDEAL = {
    "filter_error": "0 %",
    "span_error": "0 %",
    "level_error": "0 dB",
    "level_slope_per_ghz": "0 dB",
    "attenuation_error_sd": "0 dB",
    "filter_level_error_sd": "0 dB",
    "range_error_sd": "0 dB",
    "scale_error_per_10db": "0 dB",
}


def test_an_fft_of_the_long_record_shows_the_lines_at_the_port(on_air: World) -> None:
    envelope, rate_hz = on_air.truth_envelope(1, samples=8192)
    lines = {line.order: line for line in on_air.truth_port_lines(1)}
    spectrum = np.fft.fft(envelope) / 8192
    bin_hz = rate_hz / 8192
    for order in (-3, -2, -1, 0, 1, 2, 3, 5):
        at = round(order * OFFSET_HZ * (1 + 2e-9) / bin_hz)
        assert 20 * math.log10(abs(spectrum[at])) + 30 == pytest.approx(lines[order].level_dbm, abs=1e-6)


def test_the_lines_lie_where_carrier_offset_and_reference_put_them(on_air: World) -> None:
    for line in on_air.truth_port_lines(1):
        assert line.frequency_hz == pytest.approx(
            (CARRIER_HZ + line.order * OFFSET_HZ) * (1 + 2e-9), abs=1e-3
        )


def test_the_shipped_bench_has_the_products_that_its_profile_promises(on_air: World) -> None:
    lines = {line.order: line.level_dbm for line in on_air.truth_port_lines(1)}
    dbc = {order: level - lines[1] for order, level in lines.items()}
    assert dbc[-1] == pytest.approx(-58, abs=2)
    assert dbc[0] == pytest.approx(-55, abs=2)
    assert dbc[-3] == pytest.approx(-60, abs=1)
    assert dbc[2] < -75
    assert lines[1] == pytest.approx(23.7 - 6 - 5, abs=0.3)


def test_the_envelope_at_the_analyser_has_the_path_on_each_line(on_air: World) -> None:
    port, rate_hz = on_air.truth_envelope(1, samples=4096)
    behind, _ = on_air.truth_envelope(1, samples=4096, at="analyser")
    ratio = np.fft.fft(behind) / np.fft.fft(port)
    for order in (-3, -1, 0, 1):
        at = round(order * OFFSET_HZ / (rate_hz / 4096))
        loss = on_air.path_loss_db(1, CARRIER_HZ + order * OFFSET_HZ)
        assert -20 * math.log10(abs(ratio[at])) == pytest.approx(loss, abs=1e-4)


def test_a_record_of_a_modulated_stream_is_refused(on_air: World, tell: Tell) -> None:
    tell("play 1 file nr20 -12", "play 1 start")
    with pytest.raises(ValueError, match="density"):
        on_air.truth_envelope(1, samples=1024)


@pytest.mark.parametrize("order", [1, -1, 0, -3])
def test_a_perfect_analyser_reads_each_line_at_its_connector(
    pier: Profile, request_tone: SweepRequest, order: int
) -> None:
    world = bring_up(World(changed(pier, **IDEAL), VirtualClock()))
    envelope, rate_hz = world.truth_envelope(1, samples=4096, at="analyser")
    at = round(order * OFFSET_HZ / (rate_hz / 4096))
    true_dbm = 20 * math.log10(abs(np.fft.fft(envelope)[at]) / 4096) + 30
    request = narrow(request_tone, CARRIER_HZ + order * OFFSET_HZ, rbw_hz=1e3, span_hz=2e3, averages=50)
    # 40 dB or more above the floor with K over 1000: the noise moves the reading by less than 0.01 dB.
    assert top_dbm(world, request) == pytest.approx(true_dbm, abs=0.03)


def bring_up(world: World) -> World:
    for line in ("clockin external", "lo 1 1842500000", "trim 1 5"):
        world.radio.handle_line(line)
    world.clock.sleep(2)
    world.radio.handle_line("tune 1")
    world.clock.sleep(1)
    for line in ("play 1 tone 7500000 -6", "play 1 start", "rf 1 on", "mend 1 on"):
        world.radio.handle_line(line)
    world.relays["relay"].close([101])
    world.pads["pad"].set(0)
    world.select_reference("analyser", external=True)
    world.clock.sleep(3)
    return world


def test_the_same_key_gives_the_same_trace_whatever_ran_before(
    on_air: World, request_tone: SweepRequest
) -> None:
    first = on_air.sweep("analyser", request_tone, ("step", 1)).level_dbm
    on_air.sweep("analyser", replace(request_tone, detector="sample"), ("other", 7))
    assert np.array_equal(on_air.sweep("analyser", request_tone, ("step", 1)).level_dbm, first)
    assert not np.array_equal(on_air.sweep("analyser", request_tone, ("step", 2)).level_dbm, first)


def test_another_seed_changes_the_noise_but_no_error(pier: Profile, request_tone: SweepRequest) -> None:
    one, other = (bring_up(World(pier, VirtualClock(), seed=seed)) for seed in (1, 2))
    assert not np.array_equal(*(w.sweep("analyser", request_tone, ("s", 1)).level_dbm for w in (one, other)))
    assert one.pads["pad"].true_db(10) == other.pads["pad"].true_db(10)
    assert one.radio.channels[1].true_trim_db(7.5) == other.radio.channels[1].true_trim_db(7.5)


def test_the_floor_rises_with_the_attenuation_and_falls_with_the_preamplifier(
    world: World, request_tone: SweepRequest
) -> None:
    # Noise density -150 dBm/Hz and 10 log10(1.0645 x 1.015 x 100 kHz) = 50.34 dB, at 0 dB attenuation.
    quiet = replace(request_tone, centre_hz=1.3e9, averages=100)

    def floor(attenuation_db: float, preamplifier: bool = False) -> float:
        request = replace(quiet, attenuation_db=attenuation_db, preamplifier=preamplifier)
        return float(np.mean(world.sweep("analyser", request, ("floor", 1)).level_dbm))

    assert floor(0) == pytest.approx(-150 + 50.34, abs=0.3)
    assert floor(10) - floor(0) == pytest.approx(10, abs=0.2)
    assert floor(0, True) - floor(0) == pytest.approx(-13, abs=0.3)


def test_the_floor_follows_the_resolution_bandwidth(world: World, request_tone: SweepRequest) -> None:
    wide, fine = (
        float(
            np.mean(
                world.sweep("analyser", replace(request_tone, centre_hz=1.3e9, rbw_hz=b), ("b", 1)).level_dbm
            )
        )
        for b in (300e3, 30e3)
    )
    assert wide - fine == pytest.approx(10, abs=0.2)


def test_the_skirt_of_a_line_is_that_of_both_synthesisers(on_air: World, request_tone: SweepRequest) -> None:
    # 1 MHz from the tone: -98 dBc/Hz and -108 dBc/Hz, down by 20 dB a decade from corners of 60 kHz and
    # 150 kHz, and the far floors of -150 and -148 dBc/Hz; the analyser's noise besides.
    def density(near_db: float, corner: float, far_db: float) -> float:
        return 10 ** (near_db / 10) / (1 + (1e6 / corner) ** 2) + 10 ** (far_db / 10)

    request = replace(request_tone, centre_hz=CARRIER_HZ + OFFSET_HZ, span_hz=4e6, rbw_hz=10e3, averages=100)
    result = on_air.sweep("analyser", request, ("skirt", 1))
    beside = np.abs(np.abs(axis(request) - request.centre_hz) - 1e6) < 50e3
    read_dbm = 10 * math.log10(np.mean(10 ** (result.level_dbm[beside] / 10)))
    tone_w = 10 ** (result.level_dbm.max() / 10 - 3)
    expected_w = tone_w * (density(-98, 60e3, -150) + density(-108, 150e3, -148)) + 10 ** (-14 - 3)
    assert read_dbm == pytest.approx(10 * math.log10(expected_w * 1.0645 * 10.15e3) + 30, abs=0.5)


def test_a_sweep_that_is_too_fast_reads_low_and_says_so(on_air: World, request_tone: SweepRequest) -> None:
    slow = narrow(request_tone, CARRIER_HZ + OFFSET_HZ, span_hz=1e6, sweep_time_s=None)
    shortest_s = on_air.automatic_sweep_s("analyser", slow)
    assert shortest_s == pytest.approx(2.5 * 1e6 / 10e3**2)
    good = on_air.sweep("analyser", slow, ("s", 1))
    hasty = on_air.sweep("analyser", replace(slow, sweep_time_s=shortest_s / 10), ("s", 1))
    assert (good.uncalibrated, hasty.uncalibrated) == (False, True)
    assert good.level_dbm.max() - hasty.level_dbm.max() > 2
    moved_hz = (np.argmax(hasty.level_dbm) - np.argmax(good.level_dbm)) * 1e6 / 200
    assert moved_hz > 10e3


def test_the_axis_of_a_wide_sweep_is_off_by_a_share_of_the_span(
    pier: Profile, request_tone: SweepRequest
) -> None:
    world = bring_up(World(changed(pier, **{**IDEAL, "span_error": "0.1 %"}), VirtualClock()))
    request = replace(request_tone, span_hz=100e6, rbw_hz=300e3, points=10_001)
    shown = axis(request)[np.argmax(world.sweep("analyser", request, ("x", 1)).level_dbm)] - CARRIER_HZ
    assert shown - OFFSET_HZ == pytest.approx(1e-3 * OFFSET_HZ, abs=10e3)


def test_the_internal_reference_moves_the_line_and_the_external_one_takes_it_back(
    on_air: World, request_tone: SweepRequest
) -> None:
    request = narrow(request_tone, CARRIER_HZ + OFFSET_HZ, span_hz=8e3, rbw_hz=1e3, points=801)

    def peak_hz(*, external: bool) -> float:
        on_air.select_reference("analyser", external=external)
        on_air.clock.sleep(1)
        result = on_air.sweep("analyser", replace(request, external_reference=external), ("f", 1))
        return float(axis(request)[np.argmax(result.level_dbm)] - CARRIER_HZ - OFFSET_HZ)

    assert peak_hz(external=True) == pytest.approx(0, abs=25)
    # The analyser's own reference is 0.3 ppm low, so that it shows lines 0.3 ppm too high.
    assert peak_hz(external=False) == pytest.approx(0.302e-6 * 1850e6, abs=25)


def test_a_missing_reference_is_reported(on_air: World, request_tone: SweepRequest) -> None:
    on_air.reference_present["analyser"] = False
    assert not on_air.sweep("analyser", request_tone, ("r", 1)).reference_locked
    on_air.select_reference("analyser", external=False)
    assert on_air.sweep(
        "analyser", replace(request_tone, external_reference=False), ("r", 1)
    ).reference_locked


def test_mixer_and_if_overload_apart(on_air: World, tell: Tell, request_tone: SweepRequest) -> None:
    tell("trim 1 0", "play 1 tone 7500000 0", "play 1 start")

    def flags(**changes: Any) -> tuple[bool, bool, bool]:
        result = on_air.sweep("analyser", replace(request_tone, **changes), ("o", 1))
        return result.mixer_overload, result.if_overload, result.overload

    assert flags(attenuation_db=10, reference_level_dbm=5) == (False, False, False)
    assert flags(attenuation_db=0, reference_level_dbm=5) == (True, False, True)
    assert flags(attenuation_db=10, reference_level_dbm=-20) == (False, True, True)


def test_an_overloaded_if_clips_above_the_reference_level(on_air: World, request_tone: SweepRequest) -> None:
    assert top_dbm(on_air, replace(request_tone, reference_level_dbm=-40)) == pytest.approx(-37, abs=1e-9)


def test_own_distortion_follows_the_intercept_and_fades(pier: Profile) -> None:
    # P_IM3 = 3P - 2 IP3 at the mixer (Pozar, 4th ed., section 10.3): 2 dB less, relative to the tones, for
    # each decibel of attenuation (Application Note 150, chapter on dynamic range).
    front = FrontEnd(changed(pier, intercept="15 dBm").file.analysers["analyser"])
    amplitude = math.sqrt(1e-3 * 10**-1)
    comb = Comb(
        carrier_hz=2e9,
        offset_hz=1e6,
        orders=np.array([-1, 1]),
        amplitudes=np.full(2, amplitude, dtype=np.complex128),
    )
    for attenuation_db in (0.0, 5.0, 10.0):
        lines = front.lines(Arrival(combs=(comb,)), attenuation_db, False)
        at = np.argmin(np.abs(lines.frequency_hz - 2.003e9))
        shown_dbm = 10 * math.log10(lines.power_w[at]) + 30
        assert shown_dbm == pytest.approx(-10 - 2 * (15 + 10 + attenuation_db), abs=0.1)


def test_the_second_harmonic_of_the_analyser_follows_its_intercept(pier: Profile) -> None:
    # P_2 = 2P - SOI at the mixer: definition of the second-order intercept.
    front = FrontEnd(pier.file.analysers["analyser"])
    amplitudes = np.full(1, math.sqrt(1e-3 * 10**-1), dtype=np.complex128)
    comb = Comb(carrier_hz=1e9, offset_hz=0.0, orders=np.zeros(1, dtype=np.int64), amplitudes=amplitudes)
    for attenuation_db in (0.0, 10.0):
        lines = front.lines(Arrival(combs=(comb,)), attenuation_db, False)
        shown_dbm = 10 * math.log10(lines.power_w[np.argmin(np.abs(lines.frequency_hz - 2e9))]) + 30
        assert shown_dbm == pytest.approx(-10 - (55 + 10 + attenuation_db), abs=1e-6)


def test_image_and_leakage_converge_while_the_corrections_learn(on_air: World, tell: Tell) -> None:
    tell("mend 1 off", "mend 1 on")
    image, leakage = [], []
    for _ in range(6):
        lines = {line.order: line.level_dbm for line in on_air.truth_port_lines(1)}
        image.append(lines[-1] - lines[1])
        leakage.append(lines[0] - lines[1])
        on_air.clock.sleep(0.27)
    assert image[0] == pytest.approx(-39.6, abs=1.5)
    assert leakage[0] == pytest.approx(-42, abs=2)
    assert all(later < earlier for earlier, later in pairwise(image[:5]))
    assert image[1] < image[0] - 5
    assert image[-1] == pytest.approx(image[-2], abs=0.1)


def test_a_line_of_the_analyser_stays_when_the_radio_is_off(world: World, request_tone: SweepRequest) -> None:
    request = narrow(request_tone, 1.8e9, attenuation_db=0, rbw_hz=1e3, span_hz=2e3)
    assert top_dbm(world, request) == pytest.approx(-105, abs=1)
    zero = replace(request_tone, centre_hz=1e6, span_hz=2e6, rbw_hz=10e3, sweep_time_s=0.1)
    result = world.sweep("analyser", zero, ("z", 1))
    assert result.level_dbm[0] == pytest.approx(-25, abs=1)


def test_the_radio_is_quiet_with_rf_off_but_for_its_residue(
    on_air: World, tell: Tell, request_tone: SweepRequest
) -> None:
    tell("rf 1 off")
    lines = {line.order: line.level_dbm for line in on_air.truth_port_lines(1)}
    assert lines[1] == pytest.approx(23.7 - 6 - 5 - 85, abs=0.3)
    assert lines[0] == pytest.approx(-85, abs=1.5)
    assert top_dbm(on_air, request_tone) < -85


def test_leakage_past_the_attenuator_does_not_follow_it(on_air: World, tell: Tell) -> None:
    def leakage_dbc() -> float:
        lines = {line.order: line.level_dbm for line in on_air.truth_port_lines(1)}
        return lines[0] - lines[1]

    tell("trim 1 0")
    on_air.clock.sleep(1)
    high = leakage_dbc()
    tell("trim 1 31.5")
    on_air.clock.sleep(1)
    assert leakage_dbc() - high > 0.5


def test_codes_of_the_transmit_attenuator_move_the_tone_by_their_true_value(
    on_air: World, tell: Tell
) -> None:
    channel = on_air.radio.channels[1]

    def tone(db: float) -> float:
        tell(f"trim 1 {db}")
        on_air.clock.advance(0.01)
        return next(line.level_dbm for line in on_air.truth_port_lines(1) if line.order == 1)

    for code in (10.0, 20.5, 31.5):
        # The amplifier compresses by at most 0.01 dB at these levels, and the droop is 0.03 dB at full
        # output.
        assert tone(9.5) - tone(code) == pytest.approx(
            channel.true_trim_db(code) - channel.true_trim_db(9.5), abs=0.02
        )
    steps = np.diff([channel.true_trim_db(0.5 * code) for code in range(64)]) - 0.5
    assert 0.03 < steps.std() < 0.12
    assert np.abs(steps).max() < 0.2


def test_a_step_of_the_attenuator_glitches_for_a_moment(on_air: World, tell: Tell) -> None:
    def tone() -> float:
        return next(line.level_dbm for line in on_air.truth_port_lines(1) if line.order == 1)

    tell("trim 1 10")
    during = tone()
    on_air.clock.advance(0.005)
    assert tone() - during == pytest.approx(1.5, abs=0.01)


def test_a_long_time_at_full_output_costs_gain(on_air: World, tell: Tell) -> None:
    def tone() -> float:
        return next(line.level_dbm for line in on_air.truth_port_lines(1) if line.order == 1)

    tell("trim 1 0", "play 1 tone 7500000 0", "play 1 start")
    on_air.clock.advance(0.1)
    cold = tone()
    on_air.clock.advance(900)
    assert cold - tone() == pytest.approx(0.03, abs=0.005)


def test_a_retune_without_calibration_gives_a_bad_image(on_air: World, tell: Tell) -> None:
    def image() -> float:
        lines = {line.order: line.level_dbm for line in on_air.truth_port_lines(1)}
        return lines[-1] - lines[1]

    assert image() < -55
    tell("lo 1 1862500000")
    on_air.clock.sleep(5)
    assert image() > -32
    tell("tune 1")
    on_air.clock.sleep(3)
    assert image() < -55


def test_the_other_channel_shows_at_its_distance(
    on_air: World, tell: Tell, request_tone: SweepRequest
) -> None:
    tell("lo 2 1845000000", "trim 2 0", "play 2 tone 5000000 -6", "rf 2 on", "play 2 start")
    on_air.clock.sleep(1)
    sent = next(line.level_dbm for line in on_air.truth_port_lines(2) if line.order == 1)
    request = narrow(request_tone, 1850e6, rbw_hz=1e3, span_hz=2e3)
    tell("rf 1 off")
    on_air.clock.sleep(1)
    # Crosstalk of 64 dB at port 1, and the open relay's isolation besides.
    assert top_dbm(on_air, request) == pytest.approx(sent - 64 - on_air.path_loss_db(1, 1850e6), abs=1.0)


def test_inverted_i_and_q_put_the_tone_on_the_other_side(pier: Profile) -> None:
    file = pier.file
    channel = file.radio.channels["1"].model_copy(update={"inverted": True})
    radio = file.radio.model_copy(update={"channels": {**file.radio.channels, "1": channel}})
    world = bring_up(
        World(Profile(file=file.model_copy(update={"radio": radio}), folder=pier.folder), VirtualClock())
    )
    strongest = world.truth_port_lines(1)[0]
    assert strongest.frequency_hz == pytest.approx(CARRIER_HZ - OFFSET_HZ, abs=10)


def test_contacts_that_still_move_read_low_and_hot_moves_are_counted(
    on_air: World, request_tone: SweepRequest
) -> None:
    relay, pad = on_air.relays["relay"], on_air.pads["pad"]
    request = narrow(request_tone, CARRIER_HZ + OFFSET_HZ, span_hz=0.0, sweep_time_s=0.1, averages=1)
    settled = top_dbm(on_air, request)
    counted = len(pad.hot_moves)
    pad.set(1)
    pad.set(0)
    levels = on_air.sweep("analyser", request, ("m", 1)).level_dbm
    assert levels[0] == pytest.approx(settled - 20, abs=0.2)
    assert levels[-1] == pytest.approx(settled, abs=0.2)
    assert len(pad.hot_moves) == counted + 2
    assert pad.hot_moves[-1].level_dbm == pytest.approx(12.7, abs=0.3)
    moved = len(relay.hot_moves)
    relay.close([101])
    assert len(relay.hot_moves) == moved


def test_a_stuck_relay_does_not_move(world: World) -> None:
    relay = world.relays["relay"]
    relay.stuck.add(101)
    relay.close([101, 102])
    assert relay.closed == {102}
    relay.open()
    assert relay.closed == frozenset()


@pytest.mark.parametrize("wrong", [-1.0, 0.5, 64.0])
def test_a_code_that_the_pad_does_not_have_is_refused(world: World, wrong: float) -> None:
    with pytest.raises(ValueError, match="dB"):
        world.pads["pad"].set(wrong)
    assert world.pads["pad"].read() == 63.0


def test_pad_codes_take_away_their_true_value(on_air: World) -> None:
    pad = on_air.pads["pad"]
    zero = on_air.path_loss_db(1, 2e9)
    pad.set(20)
    # The rest is mismatch, which the pad's own loss damps.
    assert on_air.path_loss_db(1, 2e9) - zero == pytest.approx(pad.true_db(20), abs=0.1)


def test_no_path_leads_from_an_unknown_channel(world: World) -> None:
    with pytest.raises(KeyError, match="channel 3"):
        world.path_for(3)


def stream(world: World, tell: Tell, dbfs: float = -12.0) -> None:
    tell(f"play 1 file nr20 {dbfs}", "trim 1 0", "play 1 start", "mend 1 on")
    world.clock.sleep(3)


def integrated_dbm(
    result: SweepResult, request: SweepRequest, low_hz: float, high_hz: float, noise_width_hz: float
) -> float:
    inside = (axis(request) >= low_hz) & (axis(request) <= high_hz)
    step = request.span_hz / (request.points - 1)
    return 10 * math.log10(np.sum(10 ** (result.level_dbm[inside] / 10)) * step / noise_width_hz)


def test_a_modulated_stream_has_the_power_of_its_level(pier: Profile, request_tone: SweepRequest) -> None:
    world = bring_up(World(changed(pier, **IDEAL), VirtualClock()))
    for line in ("play 1 file nr20 -12", "trim 1 0", "play 1 start"):
        world.radio.handle_line(line)
    world.clock.sleep(3)
    result = world.sweep("analyser", request_tone, ("p", 1))
    read = integrated_dbm(result, request_tone, CARRIER_HZ - 12e6, CARRIER_HZ + 12e6, 1.0645 * 100e3)
    assert read == pytest.approx(23.69 - 12 - world.path_loss_db(1, CARRIER_HZ), abs=0.15)


def test_the_shoulders_of_a_stream_follow_the_intercept(pier: Profile, request_tone: SweepRequest) -> None:
    # Flat Gaussian channel through a third-order curve, adjacent channel of equal width without a gap:
    # ACLR = 2 (IP3 - P) + 4.77 dB at high back-off (third moment of a rectangular spectrum).
    world = bring_up(
        World(
            changed(pier, **{**IDEAL, "noise_density": "-180 dBm/Hz", "intercept": "40 dBm"}), VirtualClock()
        )
    )
    for line in ("play 1 file nr20 -6", "trim 1 0", "play 1 start"):
        world.radio.handle_line(line)
    world.clock.sleep(3)
    half = 19.08e6 / 2
    request = replace(request_tone, span_hz=62e6, points=2001)
    result = world.sweep("analyser", request, ("a", 1))
    own = integrated_dbm(result, request, CARRIER_HZ - half, CARRIER_HZ + half, 1.0645e5)
    side = integrated_dbm(result, request, CARRIER_HZ + half + 0.3e6, CARRIER_HZ + 3 * half + 0.3e6, 1.0645e5)
    # The I/Q curvature of -0.0156 counts as -0.75 x 0.0156 of full scale squared (23.69 dBm), the amplifier
    # as 42 dBm.
    full_scale_w, drive = 10 ** (23.69 / 10 - 3), 10 ** (-6 / 10)
    third = 0.75 * -0.0156 / full_scale_w + np.exp(1j * math.radians(155)) / 10 ** (42 / 10 - 3)
    intercept_dbm = -10 * math.log10(abs(third)) + 30
    expected = 2 * (intercept_dbm - (10 * math.log10(full_scale_w * drive) + 30)) + 4.77
    assert own - side == pytest.approx(expected, abs=0.7)


def test_power_is_kept_from_stream_to_lines(on_air: World) -> None:
    envelope, _ = on_air.truth_envelope(1, samples=4096)
    lines = sum(10 ** (line.level_dbm / 10 - 3) for line in on_air.truth_port_lines(1))
    assert np.mean(np.abs(envelope) ** 2) == pytest.approx(lines, rel=1e-9)

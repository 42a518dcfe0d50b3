"""Generator and power meter: what a sensor takes up is what the generator sends through what lies between."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hilkit.clock import VirtualClock
from hilkit.errors import FileProblems
from hilkit.files import loads, validate
from hilkit.sim.path import reflection
from hilkit.sim.profile import Profile, ProfileFile, load_profile
from hilkit.sim.receiver import SweepRequest
from hilkit.sim.substitution import Output, SimGenerator, SimMeter
from hilkit.sim.world import World

CARRIER_HZ = 1842.5e6
IDEAL_GENERATOR = {
    "level_error": "0 dB",
    "level_error_sd": "0 dB",
    "flatness": {},
    "settle_time": "0 s",
    "reference_error": "0 ppm",
}
IDEAL_METER = {
    "calibration_factor": {},
    "calibration_error": "0 dB",
    "linearity_per_10db": "0 dB",
    "zero_offset": "0 W",
    "zero_set_sd": "0 W",
    "noise_sd": "0 W",
}


def rebuilt(model: Any, **changes: Any) -> Any:
    return type(model).model_validate({**model.model_dump(), **changes})


def bench(
    pier: Profile, generator: dict[str, Any] | None = None, meter: dict[str, Any] | None = None
) -> World:
    """The pier with an ideal generator and an ideal meter, but for what a test changes."""
    source = rebuilt(pier.file.generators["generator"], **IDEAL_GENERATOR, **(generator or {}))
    sensor = rebuilt(pier.file.power_meters["power_meter"], **{**IDEAL_METER, **(meter or {})})
    file = {**dict(pier.file), "generators": {"generator": source}, "power_meters": {"power_meter": sensor}}
    return World(Profile(file=ProfileFile.model_validate(file), folder=pier.folder), VirtualClock(), 5)


def read_w(world: World, frequency_hz: float = CARRIER_HZ, averages: int = 1, number: int = 1) -> float:
    return world.measure_power(
        "power_meter", frequency_hz=frequency_hz, averages=averages, seconds=0.02, key=("", number)
    ).power_w


def read_dbm(world: World, frequency_hz: float = CARRIER_HZ, **more: int) -> float:
    return 10 * math.log10(read_w(world, frequency_hz, **more)) + 30


def send(world: World, level_dbm: float, frequency_hz: float = CARRIER_HZ, **more: Any) -> SimGenerator:
    source = world.generators["generator"]
    source.set(Output(frequency_hz=frequency_hz, level_dbm=level_dbm, on=True, **more))
    return source


def through(world: World, path: str = "tx1", channel: int = 101, pad_db: float = 0.0) -> None:
    """Generator at the radio's end of a path, sensor in the place of the analyser."""
    world.connect("generator", f"{path} port")
    world.connect("power_meter", "analyser input")
    world.relays["relay"].close([channel])
    world.pads["pad"].set(pad_db)
    world.clock.sleep(1.0)


# --- mismatch


@pytest.mark.parametrize(
    ("source", "load", "high_db", "low_db"),
    [(1.2, 1.4, 0.1306, -0.1326), (1.5, 1.5, 0.3407, -0.3546), (2.0, 2.0, 0.9151, -1.0231)],
)
def test_a_sensor_on_the_generator_reads_within_the_mismatch_limits_and_reaches_them(
    pier: Profile, source: float, load: float, high_db: float, low_db: float
) -> None:
    """20 lg(1 +- |G1 G2|); VSWR 1.2 and 1.4: +-0.13 dB, Application Note 150; the others computed."""

    def return_loss(vswr: float) -> str:
        return f"{-20 * math.log10((vswr - 1) / (vswr + 1)):.12f} dB"

    found = []
    for phase in range(0, 360, 15):
        world = bench(
            pier,
            {"match": return_loss(source), "match_phase": f"{phase} deg"},
            {"match": return_loss(load), "match_phase": "0 deg"},
        )
        world.connect("power_meter", "generator output")
        send(world, 0.0)
        found.append(read_dbm(world))
    # The wave into the load is 1 / (1 - G1 G2) of the matched one: the limits turn their signs.
    assert max(found) == pytest.approx(-low_db, abs=1e-4)
    assert min(found) == pytest.approx(-high_db, abs=1e-4)


@pytest.mark.parametrize("frequency_hz", [1805e6, 1842.5e6, 2300e6, 2400e6])
@pytest.mark.parametrize(("path", "channel"), [("tx1", 101), ("tx2", 102)])
def test_a_sensor_behind_a_path_gets_what_scikit_rf_lets_through(
    pier: Profile, path: str, channel: int, frequency_hz: float
) -> None:
    import skrf

    world = bench(pier)
    through(world, path, channel, pad_db=6.0)
    send(world, 7.0, frequency_hz)
    wiring, axis = world.wiring, np.array([frequency_hz])
    s = wiring.branches[path].network(
        axis,
        pad_loss_db={"pad": world.pads["pad"].loss_db(axis)},
        closed={"relay": frozenset({channel})},
    )
    source, sensor = pier.file.generators["generator"], pier.file.power_meters["power_meter"]
    ends = [
        np.array([[0, 1], [1, reflection(source.match.db, source.match_phase.deg)]]),
        np.array([[reflection(sensor.match.db, sensor.match_phase.deg), 1], [1, 0]]),
    ]
    f = skrf.Frequency.from_f(axis, unit="hz")
    whole = (
        skrf.Network(frequency=f, s=ends[0][None])
        ** skrf.Network(frequency=f, s=s)
        ** skrf.Network(frequency=f, s=ends[1][None])
    )
    assert read_dbm(world, frequency_hz) == pytest.approx(7.0 + whole.s_db[0, 1, 0], abs=1e-9)


def test_substitution_finds_the_loss_of_a_path_within_its_mismatch(pier: Profile) -> None:
    """Power meter on the generator, then behind the path: both differ from the matched loss by mismatch."""
    world = bench(pier)
    send(world, 10.0)
    world.connect("power_meter", "generator output")
    direct_dbm = read_dbm(world)
    through(world)
    loss_db = direct_dbm - read_dbm(world)
    # RL 17 and 27 dB directly; 17 and 28 dB, 31 and 27 dB at the ends of the path: 20 lg(1 + G1 G2) each.
    ends = ((17, 27), (17, 28), (31, 27))
    limit_db = sum(20 * math.log10(1 + 10 ** (-(a + b) / 20)) for a, b in ends) + 0.1
    assert loss_db == pytest.approx(world.matched_loss_db("tx1", CARRIER_HZ), abs=limit_db)
    assert loss_db != pytest.approx(world.matched_loss_db("tx1", CARRIER_HZ), abs=1e-4)


# --- the generator


def test_the_level_has_the_errors_of_the_profile(pier: Profile) -> None:
    flat = {"flatness": {"1.8 GHz": "-0.2 dB", "2.4 GHz": "0.4 dB"}, "level_error": "0.15 dB"}
    world = bench(pier)
    for frequency_hz, error_db in ((1.8e9, -0.05), (2.1e9, 0.25), (2.4e9, 0.55)):
        profile = rebuilt(pier.file.generators["generator"], **{**IDEAL_GENERATOR, **flat})
        source = SimGenerator(
            "generator", profile, seed=1, clock=world.clock, house_error=0.0, house_present=True
        )
        source.set(Output(frequency_hz=frequency_hz, level_dbm=-3.0, on=True))
        assert source.true_level_dbm() == pytest.approx(-3.0 + error_db)


def test_each_range_of_levels_has_an_error_of_its_own(pier: Profile) -> None:
    profile = rebuilt(pier.file.generators["generator"], **{**IDEAL_GENERATOR, "level_error_sd": "0.1 dB"})
    errors = []
    for level in range(-100, 15, 5):
        source = SimGenerator("g", profile, seed=1, clock=VirtualClock(), house_error=0.0, house_present=True)
        source.set(Output(level_dbm=level + 1.0, on=True))
        errors.append(source.true_level_dbm() - level - 1.0)
    assert len(set(errors)) == len(errors)
    assert 0.05 < float(np.std(errors)) < 0.2


def test_a_level_beyond_what_it_can_give_is_not_given_and_said(pier: Profile) -> None:
    world = bench(pier)
    source = send(world, 19.0)
    assert source.unlevelled
    assert source.true_level_dbm() == pytest.approx(16.0)


def test_output_off_leaves_its_isolation(pier: Profile) -> None:
    world = bench(pier)
    world.connect("power_meter", "generator output")
    send(world, 10.0)
    on_dbm = read_dbm(world)
    source = world.generators["generator"]
    source.set(Output(frequency_hz=CARRIER_HZ, level_dbm=10.0))
    assert on_dbm - read_dbm(world) == pytest.approx(100.0, abs=1e-6)


def test_who_reads_before_the_level_has_settled_reads_too_little(pier: Profile) -> None:
    world = World(pier, VirtualClock())
    source = send(world, 0.0)
    assert source.level_at(world.clock.now() + 0.005) < source.level_at(world.clock.now() + 0.011) - 10


@pytest.mark.parametrize(("external", "error"), [(True, 2e-9), (False, 0.4e-6)])
def test_the_line_lies_where_its_reference_puts_it(pier: Profile, external: bool, error: float) -> None:
    source = send(World(pier, VirtualClock()), 0.0, 1e9, external_reference=external)
    assert source.true_frequency_hz() == pytest.approx(1e9 * (1 + error), rel=1e-12)


# --- the power meter


def test_the_scatter_of_readings_falls_with_the_root_of_the_averages(pier: Profile) -> None:
    """The mean of n independent readings has the standard deviation s / sqrt(n): JCGM 100, clause 4.2.3."""
    world = bench(pier, meter={"noise_sd": "1 nW"})
    for averages in (1, 16, 256):
        readings = [read_w(world, averages=averages, number=number) for number in range(800)]
        # 99.9 % of standard deviations from 800 readings lie within 8 %.
        assert float(np.std(readings)) == pytest.approx(1e-9 / averages**0.5, rel=0.085)
        assert abs(float(np.mean(readings))) < 4 * 1e-9 / (800 * averages) ** 0.5


def test_the_same_key_gives_the_same_noise(pier: Profile) -> None:
    world = bench(pier, meter={"noise_sd": "1 nW"})
    assert read_w(world, number=3) == read_w(world, number=3) != read_w(world, number=4)


def test_zeroing_takes_the_offset_away_but_for_what_is_left_each_time(pier: Profile) -> None:
    world = bench(pier, meter={"zero_offset": "50 nW", "zero_set_sd": "100 pW"})
    assert read_w(world) == pytest.approx(50e-9)
    left = []
    for _ in range(200):
        world.zero_meter("power_meter")
        left.append(read_w(world))
    assert float(np.std(left)) == pytest.approx(100e-12, rel=0.2)
    assert abs(float(np.mean(left))) < 30e-12


def test_zeroing_with_rf_on_the_sensor_takes_that_power_off_every_later_reading(pier: Profile) -> None:
    world = bench(pier)
    world.connect("power_meter", "generator output")
    send(world, -20.0)
    on_w = read_w(world)
    world.zero_meter("power_meter")
    assert read_w(world) == pytest.approx(0.0, abs=1e-18)
    send(world, -17.0)
    assert read_w(world) == pytest.approx(on_w * (10**0.3 - 1))


def test_the_wrong_frequency_picks_the_wrong_calibration_factor(pier: Profile) -> None:
    """A sensor of factor 0.98 read as one of 0.90 shows 0.98 / 0.90 of the power."""
    world = bench(pier, meter={"calibration_factor": {"1 GHz": "100 %", "2 GHz": "98 %", "10 GHz": "90 %"}})
    world.connect("power_meter", "generator output")
    send(world, 0.0, 2e9)
    assert read_w(world, 10e9) / read_w(world, 2e9) == pytest.approx(0.98 / 0.90)


def test_errors_of_factor_and_linearity_are_those_of_the_profile(pier: Profile) -> None:
    meter = {"calibration_error": {"1 GHz": "0 dB", "2 GHz": "0.2 dB"}, "linearity_per_10db": "0.01 dB"}
    exact, wrong = bench(pier), bench(pier, meter=meter)
    for level_dbm in (0.0, -30.0):
        for world in (exact, wrong):
            world.connect("power_meter", "generator output")
            send(world, level_dbm, 1.5e9)
        error_db = read_dbm(wrong, 1.5e9) - read_dbm(exact, 1.5e9)
        assert error_db == pytest.approx(0.1 + 0.01 * level_dbm / 10, abs=1e-4)


def test_more_than_the_sensor_measures_is_an_overload(pier: Profile) -> None:
    meter = SimMeter("m", pier.file.power_meters["power_meter"], seed=1, noise_seed=1)
    fine, much = (
        meter.read([(1e9, power_w)], frequency_hz=1e9, averages=1, key=("", 1)) for power_w in (0.09, 0.2)
    )
    assert (fine.overload, much.overload) == (False, True)
    assert much.power_w == pytest.approx(0.1, rel=1e-3)


# --- planes


def top_dbm(world: World) -> float:
    request = SweepRequest(
        centre_hz=CARRIER_HZ, span_hz=20e3, points=201, rbw_hz=10e3, sweep_time_s=0.2, attenuation_db=0
    )
    return float(world.sweep("analyser", request, ("top", 1)).level_dbm.max())


def test_the_generator_at_a_port_is_a_line_at_the_analyser(pier: Profile) -> None:
    world = bench(pier)
    through(world)
    world.connect("power_meter", "")
    for level_dbm in (0.0, -20.0):
        send(world, level_dbm)
        # The analyser's own errors are drawn with 0.04 dB and less; mismatch at both ends.
        expected = level_dbm - world.matched_loss_db("tx1", CARRIER_HZ)
        assert top_dbm(world) == pytest.approx(expected, abs=0.4)


def test_a_sensor_in_the_place_of_the_analyser_leaves_it_nothing_but_its_own_noise(pier: Profile) -> None:
    world = bench(pier)
    through(world)
    send(world, 0.0)
    floor_dbm = top_dbm(world)
    world.connect("power_meter", "")
    assert floor_dbm < -95
    assert top_dbm(world) > floor_dbm + 60


def test_the_generator_straight_at_the_analyser_needs_no_path(pier: Profile) -> None:
    world = bench(pier)
    world.connect("generator", "analyser input")
    send(world, -20.0)
    assert top_dbm(world) == pytest.approx(-20.0, abs=0.4)


def test_a_sensor_screwed_onto_the_generator_takes_its_power_off_the_path(pier: Profile) -> None:
    world = bench(pier)
    through(world)
    send(world, 0.0)
    world.connect("power_meter", "generator output")
    assert top_dbm(world) < -95


def test_a_generator_in_the_place_of_the_radio_leaves_the_other_channel_its_path(on_air: World) -> None:
    world = on_air
    before = top_dbm(world)
    world.connect("generator", "tx2 port")
    assert top_dbm(world) == pytest.approx(before, abs=0.01)
    world.connect("generator", "tx1 port")
    assert top_dbm(world) < before - 30


def test_a_sensor_at_the_port_reads_all_lines_of_the_radio_together(on_air: World) -> None:
    lines = on_air.truth_port_lines(1)
    sum_dbm = 10 * math.log10(sum(10 ** (line.level_dbm / 10) for line in lines))
    on_air.connect("power_meter", "tx1 port")
    # Mismatch of 24 and 27 dB, the meter's own errors of 0.04 dB, and droop of the amplifier.
    limit_db = 20 * math.log10(1 + 10 ** (-51 / 20)) + 0.05
    assert read_dbm(on_air) == pytest.approx(sum_dbm, abs=limit_db)


def test_a_sensor_at_the_port_takes_the_power_of_the_radio_off_the_path(on_air: World) -> None:
    before = top_dbm(on_air)
    on_air.connect("power_meter", "tx1 port")
    # What is left of it comes through the other port's crosstalk of 62 dB and its open relay of 80 dB.
    assert top_dbm(on_air) < before - 30


def test_a_sensor_behind_the_path_reads_the_radio_too(on_air: World) -> None:
    lines = on_air.truth_port_lines(1)
    on_air.connect("power_meter", "analyser input")
    expected = lines[0].level_dbm - on_air.path_loss_db(1, lines[0].frequency_hz)
    assert read_dbm(on_air) == pytest.approx(expected, abs=0.2)


def test_a_relay_that_moves_while_the_generator_is_on_is_moved_hot(pier: Profile) -> None:
    world = bench(pier)
    world.connect("generator", "tx1 port")
    world.relays["relay"].close([101])
    assert world.relays["relay"].hot_moves == []
    send(world, 5.0)
    world.relays["relay"].open()
    assert [move.level_dbm for move in world.relays["relay"].hot_moves] == pytest.approx([5.0])


@pytest.mark.parametrize(
    ("instrument", "plane", "message"),
    [
        (
            "generator",
            "tx3 port",
            "there is no plane 'tx3 port'; the planes are tx1 port, tx2 port, analyser",
        ),
        ("generator", "generator output", "is an output"),
        ("analyser", "tx1 port", "is no generator and no power meter of this bench: generator, power_meter"),
    ],
)
def test_what_cannot_be_connected_is_refused(world: World, instrument: str, plane: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        world.connect(instrument, plane)


def test_one_place_holds_one_of_a_kind(pier: Profile) -> None:
    meters = dict.fromkeys(("one", "other"), pier.file.power_meters["power_meter"])
    file = pier.file.model_copy(update={"power_meters": meters})
    world = World(Profile(file=file, folder=pier.folder), VirtualClock())
    world.connect("one", "tx1 port")
    world.connect("one", "tx1 port")
    with pytest.raises(ValueError, match="one stands at 'tx1 port' already"):
        world.connect("other", "tx1 port")
    world.connect("generator", "tx1 port")


# --- profiles


def test_a_profile_without_generator_and_meter_is_a_bench_as_before(pier: Profile) -> None:
    file = ProfileFile.model_validate({**dict(pier.file), "generators": {}, "power_meters": {}})
    world = World(Profile(file=file, folder=pier.folder), VirtualClock())
    assert (world.generators, world.meters) == ({}, {})
    assert top_dbm(world) < -95


def test_a_profile_may_say_what_is_connected_at_first(pier: Profile, tmp_path: Path) -> None:
    text = (pier.folder / "simulated_pier.yaml").read_text(encoding="utf-8")
    there = text.replace("    highest: 16 dBm\n", "    highest: 16 dBm\n    connected: tx2 port\n")
    file = validate(loads(there, "there.yaml"), ProfileFile)
    world = World(Profile(file=file, folder=pier.folder), VirtualClock())
    assert world.connections.plane_of("generator") == "tx2 port"
    nowhere = tmp_path / "nowhere.yaml"
    nowhere.write_text(there.replace("tx2 port", "tx9 port"), encoding="utf-8")
    with pytest.raises(FileProblems, match="tx9 port"):
        load_profile(nowhere)

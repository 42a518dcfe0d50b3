"""The power meter on an in-memory instrument and on the simulated bench."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

from hilkit.errors import FileProblems, LinkError, RefusedError, ReplyError, UsageError
from hilkit.files import Lab
from hilkit.instruments import PowerReading, load_dialect
from hilkit.instruments.power_meter import PowerMeter
from hilkit.sim.profile import Fault
from hilkit.testing import simulated_bench
from tests.instruments.bench import FakeBench
from tests.instruments.simulated import SimulatedBench

RESOURCE = "TCPIP0::127.0.0.1::5029::SOCKET"
LEFT_BEHIND = (
    ":UNIT:POW DBM;:SENS:CORR ON;:SENS:CORR:OFFS 20;:SENS:CORR:OFFS:STAT ON;:AVER OFF;:INIT:CONT ON;"
    ":SENS:POW:RANG:AUTO OFF"
)


@pytest.fixture
def fake() -> tuple[FakeBench, Any]:
    found = FakeBench()
    return found, found.open("power_meter")


def on_bench(tmp_path: Path, *faults: Fault) -> tuple[SimulatedBench, PowerMeter]:
    bench = SimulatedBench(tmp_path, faults=faults)
    return bench, bench.open("power_meter", "power_meter", RESOURCE)


@pytest.fixture
def real(tmp_path: Path) -> tuple[SimulatedBench, PowerMeter]:
    return on_bench(tmp_path)


def test_zeroing_is_refused_unless_the_caller_says_that_rf_is_off(fake: tuple[FakeBench, Any]) -> None:
    """RF must be off while a power meter is zeroed: common practice, no source."""
    bench, meter = fake
    with pytest.raises(UsageError, match="zeroing with RF on the sensor takes that power off every later"):
        meter.zero(rf_is_off=False)
    with pytest.raises(TypeError):
        meter.zero()
    assert bench.instrument.log == []


def test_zeroing_waits_until_it_is_complete_and_is_the_only_thing_sent(
    real: tuple[SimulatedBench, PowerMeter],
) -> None:
    bench, meter = real
    meter.prepare()
    meter.configure(frequency_hz=1842.5e6, averages=256)
    before = meter.measure().power_w
    start = bench.clock.now()
    meter.zero(rf_is_off=True)
    assert bench.clock.now() - start == pytest.approx(5.0, abs=0.1)
    assert before == pytest.approx(6e-9, abs=0.2e-9)
    assert abs(meter.measure().power_w) < 0.3e-9


def test_every_setting_that_alters_a_number_is_set_and_read_back(fake: tuple[FakeBench, Any]) -> None:
    bench, meter = fake
    meter.prepare()
    log = bench.instrument.log
    for name, capability in meter.dialect.capabilities.items():
        if capability.verified and name not in ("frequency", "average_count"):
            assert any(line.startswith(capability.set_text.split(" ")[0]) for line in log), name
            assert capability.ask_text in log, name
    assert ":CALibration:ZERO:AUTO ONCE" not in log


def test_what_a_colleague_left_alters_no_reading(real: tuple[SimulatedBench, PowerMeter]) -> None:
    bench, meter = real
    meter.link.set(LEFT_BEHIND)
    meter.prepare()
    bench.world.connect("power_meter", "generator output")
    generator = bench.open("generator", "signal_generator", "TCPIP0::127.0.0.1::5028::SOCKET")
    generator.prepare()
    meter.zero(rf_is_off=not generator.output())
    generator.set_frequency(1842.5e6)
    generator.set_level(0.0)
    generator.set_output(True)
    meter.configure(frequency_hz=1842.5e6, averages=16)
    reading = meter.measure()
    (_, truth_w), *_ = bench.world.arriving("power_meter")
    # The profile's own errors: calibration factor 0.03 dB, linearity 0.004 dB in 10 dB.
    assert reading.level_dbm == pytest.approx(10 * math.log10(truth_w) + 30, abs=0.05)
    assert (reading.averages, reading.frequency_hz, reading.overload) == (16, 1842.5e6, False)


@pytest.mark.parametrize("over_sockets", [False, True])
def test_a_path_is_measured_by_substitution_from_its_two_ends(over_sockets: bool) -> None:
    """Directly and through the path: the difference is its loss within mismatch, 20 lg(1 + |G1 G2|)."""
    day = Path(str(Lab(None).find("bench", "simulated_pier_calibration")))
    with simulated_bench(bench=day, over_sockets=over_sockets) as bench:
        generator = bench.connected.generators["generator"]
        meter = bench.connected.power_meters["power_meter"]
        meter.zero(rf_is_off=not generator.output())
        meter.configure(frequency_hz=1842.5e6, averages=64)
        bench.connected.pads["pad"].set(0.0)
        bench.connected.switches["relay"].route([101])
        bench.world.connect("power_meter", "generator output")
        generator.set_frequency(1842.5e6)
        generator.set_level(0.0)
        generator.set_output(True)
        direct = meter.measure()
        generator.set_output(False)
        bench.world.connect("generator", "tx1 port")
        bench.world.connect("power_meter", "analyser input")
        generator.set_output(True)
        through = meter.measure()
        truth_db = bench.world.matched_loss_db("tx1", 1842.5e6)
        # Return losses of 17 and 27, 17 and 28, 31 and 27 dB: 0.055, 0.049, 0.011 dB; linearity 0.011 dB.
        assert direct.level_dbm - through.level_dbm == pytest.approx(truth_db, abs=0.13)
        assert bench.world.relays["relay"].hot_moves == []
    assert not bench.world.generators["generator"].output.on


def test_a_measurement_takes_as_long_as_its_averages(real: tuple[SimulatedBench, PowerMeter]) -> None:
    bench, meter = real
    meter.prepare()
    meter.configure(frequency_hz=1e9, averages=500)
    start = bench.clock.now()
    meter.measure()
    assert meter.expected_s(500) == pytest.approx(10.0)
    assert bench.clock.now() - start == pytest.approx(10.0, abs=0.3)


def test_measuring_needs_a_configure_first(fake: tuple[FakeBench, Any]) -> None:
    _, meter = fake
    with pytest.raises(ValueError, match="measure needs a configure first"):
        meter.measure()


def test_a_configure_that_was_refused_leaves_no_old_one_in_force(fake: tuple[FakeBench, Any]) -> None:
    _, meter = fake
    meter.configure(frequency_hz=1e9, averages=4)
    with pytest.raises(RefusedError, match="average_count = 5000 is out of range"):
        meter.configure(frequency_hz=1e9, averages=5000)
    with pytest.raises(ValueError, match="configure first"):
        meter.measure()


def test_a_frequency_that_the_meter_moves_is_found_out(fake: tuple[FakeBench, Any]) -> None:
    bench, meter = fake
    bench.instrument.answers[":SENSE:FREQUENCY:CW?"] = "50E6"
    with pytest.raises(RefusedError, match="frequency: sent 1842500000 Hz, read back 50000000 Hz"):
        meter.configure(frequency_hz=1842.5e6, averages=4)


def test_a_power_below_zero_has_no_level() -> None:
    reading = PowerReading(power_w=-1e-12, frequency_hz=1e9, averages=1, overload=None)
    with pytest.raises(ReplyError, match="reads -1e-12 W, no power above its zero"):
        _ = reading.level_dbm
    assert PowerReading(power_w=1e-3, frequency_hz=1e9, averages=1, overload=None).level_dbm == 0.0


def test_not_a_number_for_a_power_is_an_error(tmp_path: Path) -> None:
    """SCPI-99 volume 1, clause 7.2.1: 9.91E37."""
    _, meter = on_bench(tmp_path, Fault(instrument="power_meter", kind="nan", when=":FETC"))
    meter.prepare()
    meter.configure(frequency_hz=1e9, averages=4)
    with pytest.raises(ReplyError, match="not-a-number"):
        meter.measure()


def test_a_meter_that_is_restarted_while_it_measures_is_not_believed(tmp_path: Path) -> None:
    _, meter = on_bench(tmp_path, Fault(instrument="power_meter", kind="reboot", when=":INITiate:IMMediate"))
    meter.prepare()
    meter.configure(frequency_hz=1e9, averages=4)
    with pytest.raises(LinkError):
        meter.measure()


def test_an_overloaded_sensor_is_told_with_the_reading(real: tuple[SimulatedBench, PowerMeter]) -> None:
    bench, meter = real
    meter.prepare()
    meter.configure(frequency_hz=1e9, averages=1)
    assert meter.measure().overload is False
    sensor = bench.world.meters["power_meter"]
    sensor.profile = sensor.profile.model_copy(update={"highest": type(sensor.profile.highest)(-60.0)})
    bench.world.connect("power_meter", "generator output")
    generator = bench.open("generator", "signal_generator", "TCPIP0::127.0.0.1::5028::SOCKET")
    generator.prepare()
    generator.set_level(0.0)
    generator.set_output(True)
    assert meter.measure().overload is True


def test_a_driver_without_its_times_is_a_mistake(tmp_path: Path) -> None:
    (tmp_path / "drivers").mkdir()
    text = "driver: mine\nbase: power_meter\ninstrument_class: power_meter\nreading_time: null\n"
    (tmp_path / "drivers" / "mine.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(FileProblems, match="reading_time is missing: a power_meter needs it"):
        load_dialect("mine", Lab(tmp_path))


def test_limits_come_from_the_driver_file(fake: tuple[FakeBench, Any]) -> None:
    bench, meter = fake
    assert meter.limits().frequency_hz == (10e6, 18e9)
    assert meter.limits().averages == (1, 1024)
    assert bench.instrument.log == []


def test_the_screen_shows_the_step_where_the_meter_can(real: tuple[SimulatedBench, PowerMeter]) -> None:
    _, meter = real
    meter.annotate("tx1 at 1842.5 MHz")
    assert meter.link.ask(":DISP:TEXT?") == '"tx1 at 1842.5 MHz"'

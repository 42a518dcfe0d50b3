"""The signal generator on an in-memory instrument and on the simulated bench."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from hilkit.errors import RefusedError
from hilkit.instruments import GeneratorStatus
from hilkit.instruments.generator import SignalGenerator
from tests.instruments.bench import FakeBench
from tests.instruments.simulated import SimulatedBench

RESOURCE = "TCPIP0::127.0.0.1::5028::SOCKET"
LEFT_BEHIND = (
    ":OUTP ON;:POW 12;:POW:OFFS 6;:POW:LIM -3;:POW:LIM:STAT ON;:POW:ALC OFF;:FREQ:OFFS 1 MHZ;:FREQ:MULT 2;"
    ":PULM:STAT ON;:AM:STAT ON;:UNIT:POW W"
)


@pytest.fixture
def fake() -> tuple[FakeBench, Any]:
    found = FakeBench()
    return found, found.open("signal_generator")


@pytest.fixture
def real(tmp_path: Path) -> tuple[SimulatedBench, SignalGenerator]:
    bench = SimulatedBench(tmp_path)
    return bench, bench.open("generator", "signal_generator", RESOURCE)


def commands(bench: FakeBench) -> list[str]:
    return [line for line in bench.instrument.log if "?" not in line]


def test_the_output_goes_off_before_anything_else_is_sent(fake: tuple[FakeBench, Any]) -> None:
    bench, generator = fake
    bench.instrument.values[":OUTPUT:STATE"] = "ON"
    generator.prepare(reference="external")
    sent = commands(bench)
    assert sent[0] == ":OUTPut:STATe OFF"
    assert sent[1:3] == ["*RST", "*CLS"]
    assert sent[-1] == ":SOURce:POWer:LEVel:IMMediate:AMPLitude -120 DBM"
    assert ":OUTPut:STATe ON" not in sent


def test_every_setting_that_alters_the_line_is_set_and_read_back(fake: tuple[FakeBench, Any]) -> None:
    bench, generator = fake
    generator.prepare(reference="external")
    log = bench.instrument.log
    for name, capability in generator.dialect.capabilities.items():
        if capability.verified and name not in ("frequency", "level_limit"):
            assert any(line.startswith(capability.set_text.split(" ")[0]) for line in log), name
            assert capability.ask_text in log, name


def test_an_output_that_stays_on_is_found_out_before_the_reset(fake: tuple[FakeBench, Any]) -> None:
    bench, generator = fake
    bench.instrument.answers[":OUTPUT:STATE?"] = "1"
    for action in (generator.prepare, generator.safe):
        with pytest.raises(RefusedError, match="output: sent off, read back on"):
            action()
    assert "*RST" not in bench.instrument.log


def test_a_level_that_is_clipped_is_found_out(fake: tuple[FakeBench, Any]) -> None:
    bench, generator = fake
    bench.instrument.answers[":SOURCE:POWER:LEVEL:IMMEDIATE:AMPLITUDE?"] = "10"
    with pytest.raises(RefusedError, match="level: sent 13 dBm, read back 10 dBm"):
        generator.set_level(13.0)


@pytest.mark.parametrize(
    ("action", "value", "message"),
    [
        ("set_level", 30.0, "level = 30 dBm is out of range"),
        ("set_frequency", 8e9, "frequency = 8000000000 Hz"),
    ],
)
def test_what_the_driver_file_does_not_allow_is_not_sent(
    fake: tuple[FakeBench, Any], action: str, value: float, message: str
) -> None:
    bench, generator = fake
    with pytest.raises(RefusedError, match=message):
        getattr(generator, action)(value)
    assert bench.instrument.log == []


def test_a_change_is_given_time_to_settle(fake: tuple[FakeBench, Any]) -> None:
    bench, generator = fake
    generator.set_frequency(1e9)
    assert bench.clock.now() == pytest.approx(0.02)
    generator.set_level(0.0)
    generator.set_output(True)
    assert bench.clock.now() == pytest.approx(0.06)


def test_a_generator_without_modulations_is_prepared_without_them(fake: tuple[FakeBench, Any]) -> None:
    bench, generator = fake
    bench.instrument.unknown = {f":SOURCE:{word}:STATE" for word in ("AM", "FM", "PM", "PULM")}
    generator.prepare(reference="internal")
    assert not generator.has("am")
    assert generator.has("alc")


def test_what_a_colleague_left_is_gone(real: tuple[SimulatedBench, SignalGenerator]) -> None:
    bench, generator = real
    generator.link.set(LEFT_BEHIND)
    generator.prepare(reference="external")
    output = bench.world.generators["generator"].output
    assert (output.on, output.level_dbm, output.levelled) == (False, -120.0, True)
    generator.set_frequency(1842.5e6)
    generator.set_level(-3.0)
    generator.set_output(True)
    output = bench.world.generators["generator"].output
    assert (output.frequency_hz, output.level_dbm, output.on) == (1842.5e6, -3.0, True)
    assert output.external_reference
    assert (generator.frequency(), generator.level(), generator.output()) == (1842.5e6, -3.0, True)


def test_the_reference_is_kept_over_the_reset_where_none_is_named(
    real: tuple[SimulatedBench, SignalGenerator],
) -> None:
    bench, generator = real
    generator.link.set(":ROSC:SOUR EXT")
    generator.prepare()
    assert bench.world.generators["generator"].output.external_reference


def test_safe_is_off_and_lowest(real: tuple[SimulatedBench, SignalGenerator]) -> None:
    bench, generator = real
    generator.prepare()
    generator.set_level(5.0)
    generator.set_output(True)
    generator.safe()
    output = bench.world.generators["generator"].output
    assert (output.on, output.level_dbm) == (False, -120.0)


def test_status_tells_levelling_and_lock(real: tuple[SimulatedBench, SignalGenerator]) -> None:
    bench, generator = real
    generator.prepare(reference="external")
    assert generator.status() == GeneratorStatus(unlevelled=False, reference_locked=True)
    bench.world.generators["generator"].house_present = False
    generator.link.set(":POW:ALC OFF")
    assert generator.status() == GeneratorStatus(unlevelled=True, reference_locked=False)


def test_a_limit_of_its_own_holds_it_down_until_it_is_taken_away(
    real: tuple[SimulatedBench, SignalGenerator],
) -> None:
    bench, generator = real
    generator.prepare()
    generator.set_limit(-10.0)
    generator.set_level(0.0)
    assert bench.world.generators["generator"].output.level_dbm == -10.0
    generator.set_limit(None)
    assert bench.world.generators["generator"].output.level_dbm == 0.0


def test_limits_come_from_the_driver_file(fake: tuple[FakeBench, Any]) -> None:
    bench, generator = fake
    assert generator.limits().frequency_hz == (9e3, 6e9)
    assert generator.limits().level_dbm == (-120.0, 16.0)
    assert bench.instrument.log == []

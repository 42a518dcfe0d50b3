"""Power meter: SCPI-99 volume 2, SENSe and CALibration, and its measurement instructions."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pytest

from hilkit.clock import VirtualClock
from hilkit.sim.faults import FaultTable
from hilkit.sim.power_meter import MeterLimits, PowerMeter
from hilkit.sim.substitution import PowerRead
from tests.sim.standin import Row, Talk


@dataclass
class Sensor:
    """Every reading is that of ``power_w``; what was asked for is kept."""

    power_w: float = 1e-3
    overload: bool = False
    asked: list[dict[str, Any]] = field(default_factory=list)
    zeroed: int = 0

    def measure(self, **request: Any) -> PowerRead:
        self.asked.append(request)
        return PowerRead(power_w=self.power_w, overload=self.overload)

    def zero(self) -> None:
        self.zeroed += 1


def meter(clock: VirtualClock, sensor: Sensor, *rows: Row) -> Talk:
    box = PowerMeter(
        "box",
        clock,
        sensor=sensor,
        limits=MeterLimits(low_hz=10e6, high_hz=18e9, reading_s=0.02, zero_s=5.0),
        identity="Tidewrack Works,TW-P18,TWP-4,1.0",
        faults=FaultTable(rows, clock),
    )
    return Talk(box)


@pytest.fixture
def sensor() -> Sensor:
    return Sensor()


@pytest.fixture
def talk(clock: VirtualClock, sensor: Sensor) -> Talk:
    """A meter after ``*RST;*CLS``, its power-on event read."""
    talk = meter(clock, sensor)
    talk.write("*RST;*CLS")
    return talk


def test_a_measurement_takes_its_averages_and_is_then_fetched(
    talk: Talk, clock: VirtualClock, sensor: Sensor
) -> None:
    talk.write(":UNIT:POW W;:FREQ 2 GHZ;:AVER:COUN 10")
    start = clock.now()
    talk.write(":INIT;:FETC?")
    assert talk.read() == ""
    assert talk.device.wake_at() == pytest.approx(start + 0.2)
    clock.sleep(0.2)
    assert float(talk.read()) == 1e-3
    assert sensor.asked == [{"frequency_hz": 2e9, "averages": 10, "seconds": 0.2, "key": ("", 1)}]


@pytest.mark.parametrize("query", [":READ?", "READ:POW:AC?", ":MEAS:POW?", ":MEASure:SCALar:POWer:AC?"])
def test_read_and_measure_start_by_themselves_and_wait(
    talk: Talk, clock: VirtualClock, sensor: Sensor, query: str
) -> None:
    """SCPI-99 volume 2, chapter 3: READ is ABORt, INITiate and FETCh; MEASure configures first."""
    talk.write(query)
    assert talk.read() == ""
    clock.sleep(0.32)
    assert float(talk.read()) == 0.0  # dBm
    assert len(sensor.asked) == 1


def test_read_takes_a_new_reading_each_time(talk: Talk, clock: VirtualClock, sensor: Sensor) -> None:
    talk.write(":AVER OFF;:READ?;:READ?")
    clock.sleep(0.02)
    assert talk.read() == ""
    clock.sleep(0.02)
    assert talk.read() == "0.000000000000E+00;0.000000000000E+00"
    assert [asked["key"] for asked in sensor.asked] == [("", 1), ("", 2)]


def test_read_ends_what_is_running_and_starts_anew(talk: Talk, clock: VirtualClock, sensor: Sensor) -> None:
    talk.write(":INIT")
    clock.sleep(0.3)
    talk.write(":READ?")
    clock.sleep(0.1)
    assert talk.read() == ""
    clock.sleep(0.22)
    assert (float(talk.read()), len(sensor.asked)) == (0.0, 2)


def test_nothing_is_fetched_before_the_first_measurement_and_after_a_change(
    talk: Talk, clock: VirtualClock
) -> None:
    """SCPI-99 volume 2, clause 21.8.10: -230, Data corrupt or stale."""
    assert talk.refused(":FETC?") == -230
    talk.write(":INIT")
    clock.sleep(1)
    assert float(talk.ask(":FETC?")) == 0.0
    talk.write(":FREQ 3 GHZ")
    assert talk.refused(":FETC?") == -230


def test_what_a_colleague_left_alters_every_number(talk: Talk, clock: VirtualClock) -> None:
    talk.write(":INIT")
    clock.sleep(1)
    for left, expected in ((":CORR:OFFS 3", 0.0), (":CORR:OFFS:STAT ON", 3.0), (":SENS:CORR ON", 5.0)):
        talk.write(left)
        assert float(talk.ask(":FETC?")) == pytest.approx(expected)
    talk.write(":UNIT:POW W")
    assert float(talk.ask(":FETC?")) == pytest.approx(1e-3 * 10**0.5)


def test_power_below_zero_is_a_number_in_watts_and_none_in_dbm(
    talk: Talk, clock: VirtualClock, sensor: Sensor
) -> None:
    """SCPI-99 volume 1, clause 7.2.1.5: 9.91E37 is not a number."""
    sensor.power_w = -2e-12
    talk.write(":UNIT:POW W;:INIT")
    clock.sleep(1)
    assert float(talk.ask(":FETC?")) == -2e-12
    talk.write(":UNIT:POW DBM")
    assert float(talk.ask(":FETC?")) == 9.91e37


def test_zeroing_takes_its_time_and_is_seen_in_the_operation_register(
    talk: Talk, clock: VirtualClock, sensor: Sensor
) -> None:
    """SCPI-99 volume 1, clause 9.3: bit 0 CALibrating, bit 4 MEASuring."""
    talk.write(":CAL:ZERO:AUTO ONCE;*OPC")
    assert (sensor.zeroed, talk.ask("STAT:OPER:COND?")) == (1, "1")
    clock.sleep(4.9)
    assert talk.ask("*ESR?") == "0"
    clock.sleep(0.1)
    assert (talk.ask("*ESR?"), talk.ask("STAT:OPER:COND?")) == ("1", "0")
    talk.write(":INIT")
    assert talk.ask("STAT:OPER:COND?") == "16"
    talk.write(":CAL:ZERO:AUTO OFF")
    assert sensor.zeroed == 1


def test_an_overloaded_sensor_sets_the_power_bit(talk: Talk, clock: VirtualClock, sensor: Sensor) -> None:
    """SCPI-99 volume 1, clause 9.4: bit 3 POWer."""
    sensor.overload = True
    talk.write(":INIT")
    clock.sleep(1)
    assert talk.ask("STAT:QUES:COND?") == "8"


def test_the_count_is_automatic_until_it_is_written(talk: Talk) -> None:
    assert talk.ask(":AVER:COUN?;COUN:AUTO?") == "16;1"
    talk.write(":AVER:COUN 64")
    assert talk.ask(":AVER:COUN?;COUN:AUTO?") == "64;0"


def test_at_power_on_it_measures_continuously_and_takes_no_start(clock: VirtualClock, sensor: Sensor) -> None:
    """SCPI-99 volume 2, clause 21.8.10: -213, Init ignored."""
    talk = meter(clock, sensor)
    assert float(talk.ask(":FETC?")) == 0.0
    assert talk.refused(":INIT") == -213
    talk.write(":INIT:CONT OFF;:INIT")
    assert talk.refused(":INIT") == -213


def test_abort_ends_a_measurement_without_a_result(talk: Talk, clock: VirtualClock) -> None:
    talk.write(":INIT;:ABOR")
    clock.sleep(1)
    assert talk.refused(":FETC?") == -230


@pytest.mark.parametrize(
    ("text", "code"),
    [
        (":FREQ 1 MHZ", -222),
        (":AVER:COUN 0", -222),
        (":UNIT:POW V", -224),
        (":CAL:ZERO:AUTO MAYBE", -224),
        (":CAL:ZERO:AUTO ON", -224),
        (":CAL:ZERO:NORM:AUTO ONCE", -113),
    ],
)
def test_what_it_does_not_have_is_refused(talk: Talk, text: str, code: int) -> None:
    assert talk.refused(text) == code


def test_the_text_on_the_screen_names_the_noise_and_counts_readings_anew(
    talk: Talk, clock: VirtualClock, sensor: Sensor
) -> None:
    for _ in range(2):
        talk.write(':DISP:TEXT "tx1";:INIT')
        clock.sleep(1)
    assert [asked["key"] for asked in sensor.asked] == [("tx1", 1), ("tx1", 1)]


def test_a_fault_can_make_a_reading_no_number(clock: VirtualClock, sensor: Sensor) -> None:
    talk = meter(clock, sensor, Row(kind="nan", when=":FETC"))
    assert float(talk.ask(":FETC?")) == 9.91e37

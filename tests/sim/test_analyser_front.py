"""The analyser's front panel: SCPI-99 volume 2 (SENSe, INPut, DISPlay, TRACe, FORMat, INITiate, TRIGger)."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from hilkit.clock import VirtualClock
from hilkit.sim.analyser import Analyser
from tests.sim.standin import FlatPhysics, Talk, analyser


def physics(talk: Talk) -> FlatPhysics:
    assert isinstance(talk.instrument, Analyser)
    assert isinstance(talk.instrument._physics, FlatPhysics)
    return talk.instrument._physics


def number(talk: Talk, query: str) -> float:
    return float(talk.ask(query))


def sweep(talk: Talk) -> None:
    talk.write(":INIT")
    talk.instrument.clock.sleep(1000)


def test_reset_means_internal_reference_and_single_sweeps(box: Talk) -> None:
    # SCPI-99 volume 2, INITiate:CONTinuous and SENSe:ROSCillator:SOURce
    box.write(":ROSC:SOUR EXT;:INIT:CONT ON;:DISP:WIND:TRAC:Y:RLEV:OFFS 10;:INP:GAIN:STAT ON")
    box.write("*RST")
    assert box.ask(":ROSC:SOUR?;:INIT:CONT?;:INP:GAIN:STAT?") == "INT;0;0"
    assert number(box, ":DISP:WIND:TRAC:Y:RLEV:OFFS?") == 0


def test_at_power_on_it_sweeps_continuously(clock: VirtualClock) -> None:
    talk = Talk(analyser(clock))
    assert talk.ask(":INIT:CONT?") == "1"
    assert talk.ask(":STAT:OPER:COND?") == "8"
    assert talk.refused(":INIT") == -213


def test_there_is_no_trace_before_the_first_sweep(box: Talk) -> None:
    # SCPI-99 volume 1, clause 7.2.1.5: 9.91E37 stands for "not a number"
    assert box.ask(":TRAC? TRACE1").split(",") == ["9.910000000000E+37"] * 1001


def test_a_trace_asked_for_during_the_first_sweep_is_stale(box: Talk) -> None:
    # SCPI-99 volume 2, clause 21.8.10: a new reading was started and is not complete
    box.write(":SWE:TIME 2;:INIT")
    assert box.refused(":TRAC? TRACE1") == -230


def test_the_last_complete_trace_is_answered_while_the_next_is_made(box: Talk) -> None:
    sweep(box)
    first = box.ask(":TRAC? TRACE1")
    box.write(":SWE:TIME 2;:INIT")
    assert box.ask(":TRAC? TRACE1") == first
    box.instrument.clock.sleep(2)
    assert box.ask(":TRAC? TRACE1") != first


def test_a_new_number_of_points_makes_the_trace_void(box: Talk) -> None:
    sweep(box)
    box.write(":SWE:POIN 101")
    assert box.ask(":TRAC? TRACE1").split(",") == ["9.910000000000E+37"] * 101


def test_a_setting_written_during_a_sweep_starts_it_again(box: Talk) -> None:
    box.write(":SWE:TIME 2;:INIT;*OPC")
    box.instrument.clock.sleep(1.5)
    box.write(":FREQ:CENT 1 GHZ")
    box.instrument.clock.sleep(1.5)
    assert box.ask("*ESR?") == "0"
    box.instrument.clock.sleep(1)
    assert box.ask("*ESR?") == "1"
    assert physics(box).requests[-1]["centre_hz"] == 1e9


@pytest.mark.parametrize(
    ("set_up", "order", "code"),
    [
        (":FORM REAL,32;:FORM:BORD NORM", ">", "f"),
        (":FORM REAL,32;:FORM:BORD SWAP", "<", "f"),
        (":FORM REAL,64;:FORM:BORD NORM", ">", "d"),
        (":FORM REAL;:FORM:BORD NORM", ">", "f"),
    ],
)
def test_blocks_are_counted_and_in_the_byte_order_asked_for(
    box: Talk, set_up: str, order: str, code: str
) -> None:
    # IEEE 488.2-1992 clause 8.7.9; FORMat:BORDer NORMal sends the most significant byte first
    box.write(f"{set_up};:SWE:POIN 11")
    sweep(box)
    box.write(":TRAC? TRACE1")
    raw = box.read_bytes()
    size = 11 * struct.calcsize(code)
    assert raw[:4] == b"#2" + str(size).encode() and len(raw) == 4 + size + 1 and raw.endswith(b"\n")
    assert struct.unpack(f"{order}11{code}", raw[4:-1]) == (-11.0,) * 11


def test_the_format_reads_back_with_its_length_and_others_are_refused(box: Talk) -> None:
    assert box.ask(":FORM?") == "ASC,0"
    assert box.ask(":FORM REAL,32;:FORM:DATA?") == "REAL,32"
    assert box.refused(":FORM REAL,16") == -224
    assert box.refused(":FORM PACKED") == -224
    assert box.refused(":FORM REAL,128") == -222


def test_start_stop_centre_and_span_are_one_axis(box: Talk) -> None:
    box.write(":FREQ:STAR 1 GHZ;STOP 2 GHZ")
    assert (number(box, ":FREQ:CENT?"), number(box, ":FREQ:SPAN?")) == (1.5e9, 1e9)
    box.write(":FREQ:CENT 3 GHZ;SPAN 100 MHZ")
    assert (number(box, ":FREQ:STAR?"), number(box, ":FREQ:STOP?")) == (2.95e9, 3.05e9)


def test_what_is_written_holds_and_the_rest_of_the_axis_gives_way(box: Talk) -> None:
    box.write(":FREQ:CENT 6.9 GHZ;SPAN 1 GHZ")
    assert (number(box, ":FREQ:SPAN?"), number(box, ":FREQ:STOP?")) == (1e9, 7e9)
    box.write(":FREQ:CENT 6.9 GHZ")
    assert (number(box, ":FREQ:CENT?"), number(box, ":FREQ:STOP?")) == (6.9e9, 7e9)
    box.write(":FREQ:STAR 6.95 GHZ;STOP 1 GHZ")
    assert number(box, ":FREQ:STOP?") == 1e9
    assert number(box, ":FREQ:SPAN?") == pytest.approx(100)
    box.write(":FREQ:STAR 2 GHZ")
    assert (number(box, ":FREQ:STAR?"), number(box, ":FREQ:SPAN?")) == (
        pytest.approx(2e9),
        pytest.approx(100),
    )


def test_bandwidths_are_coupled_until_written(box: Talk) -> None:
    box.write(":FREQ:SPAN 10 MHZ")
    assert number(box, ":BAND?") == number(box, ":BAND:VID?") == 100e3
    box.write(":BAND 30 KHZ")
    assert box.ask(":BAND:AUTO?;:BAND:VID:AUTO?") == "0;1"
    assert number(box, ":BWID:VID?") == 30e3
    box.write(":FREQ:SPAN 1 MHZ")
    assert number(box, ":BAND?") == 30e3
    box.write(":BAND:AUTO ON")
    assert number(box, ":BAND?") == 10e3


def test_automatic_off_keeps_the_value_that_was_found(box: Talk) -> None:
    box.write(":FREQ:SPAN 10 MHZ;:BAND:AUTO OFF;:FREQ:SPAN 1 MHZ")
    assert number(box, ":BAND?") == 100e3
    box.write(":BAND 1 KHZ;:BAND:AUTO OFF")
    assert number(box, ":BAND?") == 1e3


@pytest.mark.parametrize(
    ("asked", "got"), [(1.4e3, 1e3), (1.5e3, 2e3), (2.6e3, 3e3), (4e3, 5e3), (8e3, 10e3)]
)
def test_a_bandwidth_goes_to_the_nearest_step_without_an_error(box: Talk, asked: float, got: float) -> None:
    # SCPI-99 volume 2, clause 21.8.10: rounding is no error
    box.write(f":BAND {asked}")
    assert number(box, ":BAND?") == got
    assert box.errors() == []


def test_a_bandwidth_out_of_range_is_refused(box: Talk) -> None:
    assert box.refused(":BAND 20 MHZ") == -222


def test_sweep_time_follows_span_over_bandwidth_squared(box: Talk) -> None:
    # handbook rule k x span / RBW^2 with k = 2.5 (common practice, no source)
    box.write(":FREQ:SPAN 100 MHZ;:BAND 10 KHZ")
    assert number(box, ":SWE:TIME?") == pytest.approx(2.5)
    box.write(":BAND:VID 1 KHZ")
    assert number(box, ":SWE:TIME?") == pytest.approx(25)
    box.write(":SWE:TIME 0.1")
    assert (number(box, ":SWE:TIME?"), box.ask(":SWE:TIME:AUTO?")) == (0.1, "0")


def test_attenuation_follows_the_reference_level_until_written(box: Talk) -> None:
    box.write(":DISP:WIND:TRAC:Y:RLEV 5")
    assert number(box, ":INP:ATT?") == 16
    box.write(":INP:ATT 20.9 DB")
    assert (number(box, ":INP:ATT?"), box.ask(":INP:ATT:AUTO?")) == (20, "0")
    assert box.refused(":INP:ATT 71") == -222


def test_everything_that_alters_a_number_alters_the_trace(box: Talk) -> None:
    def level() -> float:
        return float(box.ask(":TRAC? TRACE1").split(",")[0])

    sweep(box)
    plain = level()
    for setting, shift in (
        (":DISP:WIND:TRAC:Y:RLEV:OFFS 10", 10.0),
        (":SENS:CORR:STAT ON", 6.0),
        (":CALC:MATH:STAT ON", -3.0),
        (":INP:IMP 75", -1.7609),  # 10 lg(50/75)
        (":UNIT:POW DBUV", 106.9897),  # 10 lg(1 mW x 50 ohm / 1 uV^2)
    ):
        before = level()
        box.write(setting)
        assert level() - before == pytest.approx(shift, abs=1e-3)
    box.write("*RST")
    sweep(box)
    assert level() == pytest.approx(plain - 1)


def test_a_watt_is_a_watt(box: Talk) -> None:
    sweep(box)
    box.write(":UNIT:POW W")
    assert float(box.ask(":TRAC? TRACE1").split(",")[0]) == pytest.approx(10**-1.1 * 1e-3)


def test_the_physics_gets_the_settings_as_they_act(box: Talk) -> None:
    box.write(":FREQ:CENT 2 GHZ;SPAN 10 MHZ;:SWE:POIN 501;:BAND 10 KHZ;:BAND:VID 100 KHZ;:DET RMS")
    box.write(":AVER ON;:AVER:COUN 20;TYPE RMS;:INP:ATT 30;:INP:GAIN:STAT ON;:ROSC:SOUR EXT")
    box.write(":DISP:WIND:TRAC:Y:RLEV:OFFS 10;:DISP:WIND:TRAC:Y:RLEV 15 DBM;:DISP:TEXT 'step a';:INIT")
    assert physics(box).requests[-1] == {
        "centre_hz": 2e9,
        "span_hz": 10e6,
        "points": 501,
        "rbw_hz": 10e3,
        "vbw_hz": 100e3,
        "detector": "rms",
        "average_type": "power",
        "averages": 20,
        "sweep_time_s": pytest.approx(0.25),
        "attenuation_db": 30.0,
        "preamplifier": True,
        "reference_level_dbm": 5.0,
        "external_reference": True,
    }


def test_noise_is_keyed_by_the_text_on_the_screen_and_the_acquisition(box: Talk) -> None:
    for text in ("a", "b", "a"):
        box.write(f":DISP:TEXT '{text}'")
        for _ in range(2):
            sweep(box)
    assert physics(box).keys == [("a", 1), ("a", 2), ("b", 1), ("b", 2), ("a", 1), ("a", 2)]


def test_the_reference_bit_clears_when_the_external_reference_has_locked(box: Talk) -> None:
    # SCPI-99 volume 1, clause 9.4: bit 5 of the questionable register is FREQuency
    assert box.ask(":STAT:QUES:COND?") == "0"
    box.write(":ROSC:SOUR EXT")
    assert box.ask(":STAT:QUES:COND?") == "32"
    box.instrument.clock.sleep(0.2)
    assert box.ask(":STAT:QUES:COND?") == "0"
    assert box.ask(":STAT:QUES?") == "32"


def test_overload_and_a_sweep_too_fast_show_in_bits_3_and_9(box: Talk) -> None:
    physics(box).overload = physics(box).uncalibrated = True
    sweep(box)
    assert box.ask(":STAT:QUES:COND?") == str(8 + 512)
    physics(box).overload = physics(box).uncalibrated = False
    sweep(box)
    assert box.ask(":STAT:QUES:COND?") == "0"


def test_sweeping_shows_in_bit_3_and_waiting_for_a_trigger_in_bit_5(box: Talk) -> None:
    # SCPI-99 volume 1, clause 9.3
    box.write(":SWE:TIME 2;:TRIG:SOUR BUS;:INIT;*OPC")
    assert box.ask(":STAT:OPER:COND?") == "32"
    box.instrument.clock.sleep(100)
    assert box.ask("*ESR?") == "0"
    box.write("*TRG")
    assert box.ask(":STAT:OPER:COND?") == "8"
    box.instrument.clock.sleep(2)
    assert box.ask(":STAT:OPER:COND?;*ESR?") == "0;1"


def test_a_trigger_that_nobody_waits_for_is_ignored(box: Talk) -> None:
    assert box.refused("*TRG") == -211


def test_a_second_start_during_a_sweep_is_ignored(box: Talk) -> None:
    box.write(":SWE:TIME 2;:INIT")
    assert box.refused(":INIT") == -213


def test_continuous_sweeps_renew_the_trace_by_themselves(box: Talk) -> None:
    box.write(":SWE:TIME 0.5;:INIT:CONT ON")
    assert box.ask(":TRAC? TRACE1").startswith("9.91")
    box.instrument.clock.sleep(0.5)
    first = box.ask(":TRAC? TRACE1")
    assert first.startswith("-1.1")
    assert box.ask(":TRAC? TRACE1") == first
    box.instrument.clock.sleep(0.5)
    assert box.ask(":TRAC? TRACE1").startswith("-1.2")


def test_single_sweeps_asked_for_again_leave_a_running_sweep_alone(box: Talk) -> None:
    box.write(":SWE:TIME 2;:INIT;*OPC;:INIT:CONT OFF")
    assert box.ask("*ESR?;:STAT:OPER:COND?") == "0;8"
    box.write(":INIT:CONT ON")
    assert box.ask("*ESR?") == "1"


def test_a_trace_has_its_name_in_either_form(box: Talk) -> None:
    sweep(box)
    expected = np.full(1001, -11.0)
    for name in ("TRACE1", "trace1", '"TRACE1"'):
        assert np.array_equal(np.fromstring(box.ask(f":TRACe:DATA? {name}"), sep=","), expected)

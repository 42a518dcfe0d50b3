"""The signal analyser on an in-memory instrument that speaks the generic dialect."""

import struct

import numpy as np
import pytest

from hilkit.errors import Interrupted, LinkError, RefusedError, ReplyError, UsageError
from hilkit.files import Lab
from hilkit.instruments import SignalAnalyser, SweepSetup, load_dialect
from hilkit.instruments.analyser_table import KNOWN_STATE
from tests.instruments.bench import IDENTITY, SOCKET, FakeBench, block

SETUP = SweepSetup(
    centre_hz=1842.5e6,
    span_hz=10e6,
    points=101,
    rbw_hz=100e3,
    sweep_time_s=0.5,
    attenuation_db=10.0,
    reference_level_dbm=0.0,
)


def bench() -> tuple[FakeBench, SignalAnalyser]:
    found = FakeBench()
    found.instrument.answers[":TRACE:DATA?"] = block(np.full(101, -50.0, dtype=">f4").tobytes())
    return found, found.open("signal_analyser")


# --- who it is


def test_the_identity_has_four_fields() -> None:
    """IEEE 488.2, clause 10.14 (from memory): maker, model, serial number, firmware."""
    _, analyser = bench()
    identity = analyser.identity()
    assert (identity.maker, identity.model, identity.serial, identity.firmware) == (
        "Bench Lab",
        "SA1",
        "0042",
        "1.0",
    )
    assert str(identity) == "Bench Lab, SA1, 0042, 1.0"


def test_an_identity_that_is_none_is_a_reply_error() -> None:
    found, analyser = bench()
    found.instrument.answers["*IDN?"] = "hello"
    with pytest.raises(ReplyError, match="no four fields"):
        analyser.identity()


def test_reading_the_errors_changes_nothing_else() -> None:
    found, analyser = bench()
    found.instrument.queue.append('-222,"Data out of range"')
    assert analyser.errors() == ['-222,"Data out of range"']
    assert set(found.instrument.log) == {":SYSTem:ERRor:NEXT?"}


def test_a_self_test_runs_only_where_the_driver_file_declares_it_harmless(tmp_path) -> None:
    found, analyser = bench()
    with pytest.raises(UsageError, match="does not declare the self-test harmless"):
        analyser.self_test()
    (tmp_path / "drivers").mkdir()
    (tmp_path / "drivers" / "mine.yaml").write_text(
        "driver: mine\nbase: signal_analyser\ninstrument_class: signal_analyser\n"
        "self_test: {harmless: true, time: 10 s}\n",
        encoding="utf-8",
    )
    tested = found.open("mine", Lab(tmp_path))
    found.instrument.answers["*TST?"] = "+0"
    assert tested.self_test() == ""
    found.instrument.answers["*TST?"] = "3"
    assert tested.self_test() == "*TST? answered 3"


# --- the known state


def test_prepare_sets_and_reads_back_every_setting_that_alters_a_number() -> None:
    found, analyser = bench()
    found.instrument.values |= {
        ":DISPLAY:WINDOW:TRACE:Y:SCALE:RLEVEL:OFFSET": "30.5",
        ":INPUT:GAIN:STATE": "ON",
        ":SENSE:ROSCILLATOR:SOURCE": "INT",
    }
    analyser.prepare(reference="external")
    values = found.instrument.values
    assert values[":DISPLAY:WINDOW:TRACE:Y:SCALE:RLEVEL:OFFSET"] == "0 DB"
    assert values[":INPUT:GAIN:STATE"] == "OFF"
    assert values[":SENSE:ROSCILLATOR:SOURCE"] == "EXTernal"
    assert values[":FORMAT:DATA"] == "REAL,32"
    assert values[":FORMAT:BORDER"] == "NORMal"
    assert values[":UNIT:POWER"] == "DBM"
    dialect = analyser.dialect
    for name in (*KNOWN_STATE, "reference_source", "trace_format", "byte_order"):
        if dialect.has(name):
            assert dialect.capabilities[name].ask_text in found.instrument.log, name


def test_the_known_state_covers_what_the_trade_knows_to_alter_a_number() -> None:
    """List of the mistakes seen over and over: common practice, no source."""
    assert set(KNOWN_STATE) >= {
        "level_offset",
        "preamplifier",
        "attenuation_auto",
        "rbw_auto",
        "vbw_auto",
        "detector",
        "average_type",
        "average_state",
        "trace_maths",
        "corrections",
        "impedance",
        "coupling",
        "level_unit",
        "continuous",
        "trigger_source",
    }


@pytest.mark.parametrize(("before", "after"), [("EXT", "EXTernal"), ("INT", "INTernal")])
def test_a_reset_puts_the_reference_to_internal_and_prepare_puts_it_back(before: str, after: str) -> None:
    """SCPI-99: *RST leaves the reference internal on most analysers (common practice, no source)."""
    found, analyser = bench()
    found.instrument.values[":SENSE:ROSCILLATOR:SOURCE"] = before

    def reset(header: str, _: str) -> None:
        if header == "*RST":
            found.instrument.values[":SENSE:ROSCILLATOR:SOURCE"] = "INT"

    found.instrument.on_set = reset
    analyser.prepare()
    assert found.instrument.values[":SENSE:ROSCILLATOR:SOURCE"] == after
    log = found.instrument.log
    assert log.index(":ABORt") < log.index("*RST") < log.index("*CLS")
    after = log[log.index("*RST") :]
    assert after[2:4] == [":INITiate:CONTinuous OFF", ":ABORt"], "else a sweep without end is waited for"


def test_a_known_state_that_is_not_taken_is_refused_with_what_was_read_back() -> None:
    found, analyser = bench()
    found.instrument.answers[":UNIT:POWER?"] = "DBUV"
    with pytest.raises(RefusedError, match="level_unit: sent dBm, read back DBUV"):
        analyser.prepare(reference="internal")


# --- sweeps


def test_configure_sends_in_the_order_of_the_dialect_and_reads_everything_back() -> None:
    found, analyser = bench()
    setup = analyser.configure(SETUP)
    assert (setup.rbw_hz, setup.vbw_hz, setup.sweep_time_s) == (100e3, 1e6, 0.5)
    dialect = load_dialect("signal_analyser", Lab(None))
    sent = [line for line in found.instrument.log if not line.endswith("?")]
    headers = [dialect.capabilities[name].set_text.split(" ")[0] for name in dialect.order]
    assert [line.split(" ")[0] for line in sent] == headers
    assert [f"{header}?" for header in headers] == found.instrument.log[-len(headers) :]


def test_levels_and_frequencies_are_sent_with_their_units() -> None:
    """SCPI-99: without suffix a number is in the unit somebody chose last (volume 2, UNIT:POWer)."""
    found, analyser = bench()
    analyser.configure(SETUP)
    assert ":SENSe:FREQuency:CENTer 1842500000 HZ" in found.instrument.log
    assert ":DISPlay:WINDow:TRACe:Y:SCALe:RLEVel 0 DBM" in found.instrument.log


def test_a_setting_that_moves_when_another_is_sent_is_sent_again() -> None:
    found, analyser = bench()
    values = found.instrument.values

    def couple(header: str, _: str) -> None:
        # The reference level moves the attenuation, but only when it changes.
        if header.endswith(":RLEVEL") and not values.get("seen"):
            values["seen"] = "1"
            values[":INPUT:ATTENUATION"] = "20"

    found.instrument.on_set = couple
    assert analyser.configure(SETUP).attenuation_db == 10.0
    assert "attenuation moved, all settings are sent again" in found.transcript.text()


def test_a_value_that_is_clipped_without_a_word_is_refused_with_both_values() -> None:
    found, analyser = bench()
    found.instrument.answers[":SENSE:SWEEP:TIME?"] = "0.75"
    with pytest.raises(RefusedError) as caught:
        analyser.configure(SETUP)
    assert "sweep_time: sent 0.5 s, read back 0.75 s" in caught.value.message
    assert caught.value.instrument == "analyser"


def test_an_error_in_the_queue_is_traced_to_its_setting() -> None:
    """SCPI-99 volume 2, clause 21.8: -222, Data out of range."""
    found, analyser = bench()

    def refuse(header: str, value: str) -> None:
        if header == ":SENSE:FREQUENCY:SPAN":
            found.instrument.queue.append('-222,"Data out of range"')

    found.instrument.on_set = refuse
    with pytest.raises(RefusedError) as caught:
        analyser.configure(SETUP)
    assert (
        'span = 10000000 Hz was answered in the error queue with -222,"Data out of range"'
        in caught.value.message
    )
    assert "100 Hz to 7000000000 Hz" in caught.value.next_step


def test_a_value_outside_the_range_of_the_driver_file_is_refused_before_anything_is_sent() -> None:
    found, analyser = bench()
    from dataclasses import replace

    with pytest.raises(RefusedError, match="centre = 9000000000 Hz is out of range") as caught:
        analyser.configure(replace(SETUP, centre_hz=9e9))
    assert "9000 Hz to 7000000000 Hz" in caught.value.next_step
    with pytest.raises(RefusedError, match="average_type = 'voltage' is not known to its driver file"):
        analyser.configure(replace(SETUP, average_type="voltage"))
    assert found.instrument.log == []


def test_an_automatic_sweep_time_is_read_from_the_analyser() -> None:
    from dataclasses import replace

    found, analyser = bench()
    found.instrument.answers[":SENSE:SWEEP:TIME?"] = "0.125"
    assert analyser.configure(replace(SETUP, sweep_time_s=None)).sweep_time_s == 0.125
    assert found.instrument.values[":SENSE:SWEEP:TIME:AUTO"] == "ON"


def test_a_setup_that_makes_no_sense_is_refused_at_once() -> None:
    from dataclasses import replace

    for wrong in (
        {"detector": "quasi"},
        {"average_type": "rms"},
        {"averages": 0},
        {"average_type": "none", "averages": 3},
        {"points": 1},
        {"span_hz": 0.0},
    ):
        with pytest.raises(ValueError, match=r"none of|make no sense|a sweep needs"):
            replace(SETUP, **wrong)


def test_acquire_waits_for_all_sweeps_and_returns_the_trace_with_the_settings_read_back() -> None:
    from dataclasses import replace

    found, analyser = bench()
    analyser.configure(replace(SETUP, averages=4))
    found.instrument.sweep_s = 2.0
    start = found.clock.now()
    trace = analyser.acquire()
    assert found.clock.now() - start == pytest.approx(2.0, abs=0.1)
    assert trace.level_dbm.shape == trace.frequency_hz.shape == (101,)
    assert (trace.frequency_hz[0], trace.frequency_hz[-1]) == (1837.5e6, 1847.5e6)
    assert trace.noise_bandwidth_hz == pytest.approx(106.45e3)
    assert (trace.averages, trace.sweep_time_s, trace.detector) == (4, 0.5, "rms")


def test_acquire_without_configure_is_a_mistake_of_the_caller() -> None:
    _, analyser = bench()
    with pytest.raises(ValueError, match="needs a configure first"):
        analyser.acquire()


def test_a_sweep_without_valid_values_is_an_error() -> None:
    """SCPI-99 volume 1, clause 7.2.1: 9.91E37."""
    found, analyser = bench()
    analyser.configure(SETUP)
    found.instrument.answers[":TRACE:DATA?"] = block(struct.pack(">101f", *[9.91e37] * 101))
    with pytest.raises(ReplyError, match="101 of 101 numbers are no valid values"):
        analyser.acquire()


def test_a_sweep_that_is_interrupted_or_hangs_is_aborted() -> None:
    found, analyser = bench()
    analyser.identity()
    analyser.configure(SETUP)
    found.instrument.sweep_s = 1e9
    with pytest.raises(LinkError, match="did not complete within"):
        analyser.acquire()
    assert found.instrument.log[-1] == ":ABORt"

    def stop() -> None:
        raise Interrupted("stopped")

    found.clock.watch(stop)
    with pytest.raises(Interrupted):
        analyser.acquire()
    assert found.instrument.log[-1] == ":ABORt"


def test_a_restart_in_the_middle_of_a_run_is_said_to_have_lost_the_settings() -> None:
    """SCPI-99 volume 2, clause 21.8: -500, Power on."""
    found, analyser = bench()
    analyser.prepare(reference="internal")
    analyser.configure(SETUP)
    found.instrument.events = 128
    with pytest.raises(LinkError, match="settings are gone"):
        analyser.acquire()
    found.instrument.queue.append('-500,"Power on"')
    with pytest.raises(LinkError, match="settings are gone"):
        analyser.configure(SETUP)


def test_where_nothing_tells_the_end_two_equal_traces_do(tmp_path) -> None:
    (tmp_path / "drivers").mkdir()
    (tmp_path / "drivers" / "mine.yaml").write_text(
        "driver: mine\nbase: signal_analyser\ninstrument_class: signal_analyser\ncompletion: elapsed\n",
        encoding="utf-8",
    )
    found = FakeBench()
    traces = [np.full(101, level, dtype=">f4") for level in (-1.0, -2.0, -2.0)]
    found.instrument.answers[":TRACE:DATA?"] = lambda _: block(traces.pop(0).tobytes())
    analyser = found.open("mine", Lab(tmp_path))
    analyser.configure(SETUP)
    assert analyser.acquire().level_dbm[0] == -2.0
    levels = iter(range(-1000, 0))
    found.instrument.answers[":TRACE:DATA?"] = lambda _: block(
        np.full(101, next(levels), dtype=">f4").tobytes()
    )
    with pytest.raises(LinkError, match="the trace kept changing"):
        analyser.acquire()


def test_the_expected_time_follows_the_rule_of_the_dialect() -> None:
    """k span/RBW^2, k = 2.5: 100 MHz at 10 kHz take 2.5 s, at 1 kHz 250 s (common practice, no source)."""
    from dataclasses import replace

    _, analyser = bench()
    wide = replace(SETUP, span_hz=100e6, rbw_hz=10e3, sweep_time_s=None)
    assert analyser.expected_sweep_s(wide) == pytest.approx(2.5)
    assert analyser.expected_sweep_s(replace(wide, rbw_hz=1e3, averages=2)) == pytest.approx(500.0)
    assert analyser.expected_sweep_s(replace(wide, vbw_hz=1e3)) == pytest.approx(25.0)
    assert analyser.expected_sweep_s(replace(wide, rbw_hz=10e6)) == pytest.approx(1e-3)
    assert analyser.expected_sweep_s(replace(wide, sweep_time_s=0.25, averages=8)) == 2.0


def test_the_gaussian_noise_bandwidth_is_1_0645_rbw() -> None:
    """Integral of a Gaussian of -3 dB width B: sqrt(pi / (4 ln 2)) B."""
    _, analyser = bench()
    assert analyser.noise_bandwidth_hz(1.0) == pytest.approx(np.sqrt(np.pi / (4 * np.log(2))), abs=5e-5)


def test_the_status_is_read_from_the_questionable_register() -> None:
    """SCPI-99 volume 2, clause 20.2 (from memory): bit 3 POWer, bit 5 FREQuency."""
    found, analyser = bench()
    found.instrument.answers[":STATUS:QUESTIONABLE:CONDITION?"] = str(1 << 3 | 1 << 5)
    status = analyser.status()
    assert (status.overload, status.uncalibrated_sweep, status.reference_locked) == (True, False, False)
    assert found.instrument.log == [":STATus:QUEStionable:CONDition?"]


def test_the_limits_come_from_the_driver_file_without_asking() -> None:
    found, analyser = bench()
    limits = analyser.limits()
    assert limits.frequency_hz == (9e3, 7e9)
    assert limits.points == (11, 10001)
    assert limits.rbw_hz == (1.0, 10e6)
    assert limits.rbw_values_hz == ()
    assert (limits.attenuation_db, limits.attenuation_step_db) == ((0.0, 70.0), 2.0)
    assert limits.detectors == ("rms", "sample", "peak", "negative")
    assert limits.preamplifier
    assert found.instrument.log == []


# --- the screen


def test_the_step_at_work_is_shown_on_the_screen() -> None:
    """SCPI-99 volume 2, DISPlay[:WINDow]:TEXT[:DATA]."""
    found, analyser = bench()
    analyser.annotate('image at 2·f? "now"')
    assert found.instrument.log[0] == ':DISPlay:WINDow:TEXT:DATA "image at 2?f? ""now"""'


def test_an_instrument_without_a_text_on_its_screen_is_left_alone_after_the_first_try() -> None:
    found, analyser = bench()
    found.instrument.unknown.add(":DISPLAY:WINDOW:TEXT:DATA")
    analyser.annotate("step 1")
    analyser.annotate("step 2")
    assert found.instrument.log.count(':DISPlay:WINDow:TEXT:DATA "step 2"') == 0
    assert "annotation is not known to the instrument and is left out" in found.transcript.text()
    assert analyser.errors() == []


def test_closing_closes_the_session() -> None:
    found, analyser = bench()
    analyser.close()
    assert found.manager.sessions[0].closed
    assert analyser.name == "analyser"
    assert analyser.link.resource == SOCKET
    assert analyser.link.identify() == IDENTITY

"""The contrary analyser, simulated as the comment at the head of its driver file says: an override file is
enough.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hilkit.errors import RefusedError, ReplyError
from hilkit.instruments import SweepSetup
from tests.instruments.simulated import SimulatedBench

SETUP = SweepSetup(
    centre_hz=1842.5e6,
    span_hz=60e6,
    points=1001,
    rbw_hz=100e3,
    sweep_time_s=0.5,
    attenuation_db=10.0,
    reference_level_dbm=0.0,
    averages=2,
)


def opened(tmp_path: Path, driver: str = "signal_analyser_contrary"):
    bench = SimulatedBench(tmp_path, dialect="contrary")
    return bench, bench.analyser(driver)


def test_the_known_state_is_reached_and_nothing_of_a_colleagues_is_left(tmp_path: Path) -> None:
    _, analyser = opened(tmp_path)
    analyser.link.set(":DISPlay:WINDow:TRACe:Y:SCALe:RLEVel:OFFSet 30 DB")
    analyser.link.set(":SENSe:CORRection:STATe ON")
    analyser.prepare(reference="external")
    assert analyser.read("level_offset") == 0.0
    assert analyser.read("corrections") is False
    assert analyser.read("continuous") is False
    assert analyser.read("reference_source") == "external"
    assert analyser.errors() == []


def test_settings_survive_their_coupling_because_of_the_order_of_the_override(tmp_path: Path) -> None:
    _, analyser = opened(tmp_path)
    analyser.prepare(reference="external")
    back = analyser.configure(SETUP)
    assert back == replace(SETUP, vbw_hz=1e6)
    for name, value in (
        ("rbw_auto", False),
        ("attenuation_auto", False),
        ("detector", "rms"),
        ("average_type", "power"),
    ):
        assert analyser.read(name) == value


def test_the_generic_driver_would_not_do(tmp_path: Path) -> None:
    """The check that this instrument is as contrary as it claims: without the override nothing works."""
    _, analyser = opened(tmp_path, "signal_analyser")
    with pytest.raises((RefusedError, ReplyError)):
        analyser.prepare(reference="external")


def test_the_generic_order_on_the_contrary_analyser_is_found_out_by_reading_back(tmp_path: Path) -> None:
    bench, analyser = opened(tmp_path)
    from hilkit.files import Lab
    from hilkit.instruments import load_dialect

    wrong = tuple(
        name for name in load_dialect("signal_analyser", Lab(None)).order if analyser.dialect.has(name)
    )
    analyser.dialect = replace(analyser.dialect, order=wrong)
    analyser.prepare(reference="external")
    with pytest.raises(RefusedError, match="attenuation_auto: sent off, read back on"):
        analyser.configure(SETUP)
    assert "moved, all settings are sent again" in bench.transcript.text()


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"attenuation_db": 12.0}, "attenuation: sent 12 dB, read back 15 dB"),
        ({"averages": 999}, None),
        ({"averages": 1000}, "average_count = 1000 is out of range"),
        ({"sweep_time_s": 0.001}, "sweep_time = 0.001 s is out of range"),
    ],
)
def test_a_value_that_it_does_not_have_is_found_out(tmp_path: Path, changed: dict, says: str | None) -> None:
    _, analyser = opened(tmp_path)
    analyser.prepare(reference="external")
    if says is None:
        assert analyser.configure(replace(SETUP, **changed)).averages == changed["averages"]
        return
    with pytest.raises(RefusedError, match=says):
        analyser.configure(replace(SETUP, **changed))


def test_a_filter_is_rounded_up_and_the_value_read_back_is_the_one_that_counts(tmp_path: Path) -> None:
    _, analyser = opened(tmp_path)
    analyser.prepare(reference="external")
    back = analyser.configure(replace(SETUP, rbw_hz=20e3))
    assert back.rbw_hz == 30e3
    trace = analyser.acquire()
    assert trace.rbw_hz == 30e3
    assert trace.noise_bandwidth_hz == pytest.approx(1.128 * 30e3)


def test_a_trace_is_the_new_one_although_opc_is_answered_at_once(tmp_path: Path) -> None:
    """The wait goes by bit 3 of the operation condition register (SCPI-99 volume 2, SWEeping)."""
    bench, analyser = opened(tmp_path)
    analyser.prepare(reference="external")
    analyser.configure(SETUP)
    assert analyser.link.ask("*OPC?") in ("1", "+1")
    began = bench.clock.now()
    first = analyser.acquire()
    assert bench.clock.now() - began >= 2 * 0.5
    second = analyser.acquire()
    assert not np.array_equal(first.level_dbm, second.level_dbm)
    assert first.frequency_hz[0] == 1812.5e6
    assert first.frequency_hz[-1] == 1872.5e6
    assert (np.abs(first.level_dbm) < 200).all()


def test_reading_too_early_would_give_not_a_number(tmp_path: Path) -> None:
    """SCPI-99 volume 1, clause 7.2.1: 9.91E37 is not a number; it must not pass for a level."""
    _, analyser = opened(tmp_path)
    analyser.prepare(reference="external")
    setup = analyser.configure(SETUP)
    with pytest.raises(ReplyError, match="no valid values"):
        analyser._data(setup)


def test_wrong_layout_or_byte_order_is_found_out_by_the_frequencies(tmp_path: Path) -> None:
    _, analyser = opened(tmp_path)
    analyser.prepare(reference="external")
    analyser.configure(SETUP)
    trace = analyser.dialect.trace
    analyser.dialect = replace(analyser.dialect, trace=trace.model_copy(update={"byte_order": "big"}))
    with pytest.raises(ReplyError, match=r"are not those of the sweep|no valid values"):
        analyser.acquire()
    analyser.dialect = replace(analyser.dialect, trace=trace.model_copy(update={"layout": "y"}))
    with pytest.raises(ReplyError, match="16016 bytes, expected 8008"):
        analyser.acquire()


def test_its_status_is_read_in_its_own_way(tmp_path: Path) -> None:
    _, analyser = opened(tmp_path)
    analyser.prepare(reference="external")
    analyser.link.clock.sleep(2.0)
    status = analyser.status()
    assert status.reference_locked is True
    assert (status.overload, status.uncalibrated_sweep) == (False, False)
    analyser.annotate("it has no text on its screen")
    assert analyser.errors() == []

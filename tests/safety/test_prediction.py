"""The power budget is an upper bound at every node, and says what would be safe."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from hilkit.bench import PathError
from hilkit.errors import SafetyStop
from hilkit.safety import RfState, predict
from hilkit.safety.prediction import overloads, power_sum_dbm, refuse_overload
from tests.bench.trial import bench_of, changed

STATE = RfState(channel=1, carrier_hz=1842.5e6, attenuation_db=10.0, tone_offset_hz=7.5e6)


def test_each_node_gets_the_highest_level_less_what_lies_before_it(tmp_path: Path) -> None:
    """43 dBm less 10 dB; the coupler has 20.2 dB at 1.7 GHz and 20.8 dB at 2.5 GHz, known to 0.2 dB."""
    levels = predict(bench_of(tmp_path), STATE)
    low_edge = 20.2 + 0.6 * (1822.5 - 1700) / 800
    assert levels["radio tx1 port"] == pytest.approx(33.0)
    assert levels["relay tx1 in"] == pytest.approx(33.0 - (low_edge - 0.2))
    assert levels["pad input"] == pytest.approx(33.0 - (low_edge - 0.2) - 0.4)


def test_the_pad_counts_behind_it_only(tmp_path: Path) -> None:
    bench = bench_of(tmp_path)
    before, after = predict(bench, STATE), predict(bench, replace(STATE, pad_db=20.0))
    assert after["pad input"] == before["pad input"]
    assert after["analyser input"] == pytest.approx(before["analyser input"] - 20.0)


def test_a_prediction_never_lies_below_the_level_at_any_frequency_of_the_bandwidth(tmp_path: Path) -> None:
    bench = bench_of(tmp_path)
    levels = predict(bench, STATE)
    path = bench.path(1)
    for offset_hz in (-20e6, -7.5e6, 0.0, 7.5e6, 20e6):
        for node in path.nodes:
            assert levels[node] >= 33.0 - path.loss_to(node, STATE.carrier_hz + offset_hz)


def test_a_low_drive_earns_no_credit(tmp_path: Path) -> None:
    bench = bench_of(tmp_path)
    assert predict(bench, replace(STATE, drive_dbfs=-20.0)) == predict(bench, STATE)


def test_with_rf_off_nothing_gets_anything(tmp_path: Path) -> None:
    assert set(predict(bench_of(tmp_path), replace(STATE, rf_on=False)).values()) == {-math.inf}


def test_an_unknown_loss_is_no_loss_and_refused(tmp_path: Path) -> None:
    with pytest.raises(PathError, match=r"no loss at 2\.6 GHz"):
        predict(bench_of(tmp_path), replace(STATE, carrier_hz=2.6e9))


@pytest.mark.parametrize(
    ("levels", "total"), [((10.0, 10.0), 13.0103), ((0.0, -100.0), 0.0), ((), -math.inf)]
)
def test_powers_add(levels: tuple[float, ...], total: float) -> None:
    """Two equal powers give 10 lg 2 = 3.0103 dB more: arithmetic."""
    assert power_sum_dbm(levels) == pytest.approx(total, abs=1e-4)


def test_a_refusal_names_node_level_rating_and_what_is_safe(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, changed(("analyser input: 20 dBm", "analyser input: 5 dBm")))
    state = replace(STATE, attenuation_db=0.0, pad_db=10.0)
    levels = predict(bench, state)
    assert levels["analyser input"] == pytest.approx(9.6, abs=0.05)
    with pytest.raises(SafetyStop) as caught:
        refuse_overload(bench, state, levels)
    message = str(caught.value)
    for text in (
        "channel 1 at 1.8425 GHz with 0 dB transmit attenuation and 10 dB in the pad",
        "up to 9.6 dBm on 'analyser input'",
        "rated 5 dBm and may get 2 dBm (margin 3 dB)",
        "dB more transmit attenuation or pad is safe",
    ):
        assert text in message


def test_what_is_said_to_be_safe_is_safe(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, changed(("analyser input: 20 dBm", "analyser input: 5 dBm")))
    state = replace(STATE, attenuation_db=0.0, pad_db=10.0)
    with pytest.raises(SafetyStop) as caught:
        refuse_overload(bench, state, predict(bench, state))
    more = float(caught.value.next_step.split()[0])
    for safe in (replace(state, attenuation_db=more), replace(state, pad_db=10.0 + more)):
        refuse_overload(bench, safe, predict(bench, safe))
    with pytest.raises(SafetyStop):
        refuse_overload(bench, state, predict(bench, replace(state, attenuation_db=more - 0.1)))


def test_in_front_of_the_pad_only_transmit_attenuation_helps(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, changed(("pad input: 27 dBm", "relay tx1 in: 20 dBm")))
    state = replace(STATE, attenuation_db=0.0)
    with pytest.raises(SafetyStop, match="'relay tx1 in'") as caught:
        refuse_overload(bench, state, predict(bench, state))
    assert "or pad is safe" not in caught.value.next_step


def test_a_level_that_is_no_number_counts_as_too_high(tmp_path: Path) -> None:
    assert [found.node for found in overloads(bench_of(tmp_path), {"pad input": math.nan})] == ["pad input"]


def test_an_attenuation_that_cannot_be_read_back_counts_as_none(tmp_path: Path) -> None:
    """What was never read back may not have been taken."""
    bench = bench_of(tmp_path)
    state = replace(STATE, pad_db=20.0)
    for spec, node, back_db in (
        (bench.radio_spec, "radio tx1 port", 10.0),
        (bench.instruments["pad"], "analyser input", 20.0),
    ):
        capability = replace(spec.dialect.capabilities["attenuation"], readback=False)
        dialect = replace(spec.dialect, capabilities={**spec.dialect.capabilities, "attenuation": capability})
        blind = replace(spec, dialect=dialect)
        changes = (
            {"radio_spec": blind}
            if spec.name == "radio"
            else {"instruments": {**bench.instruments, "pad": blind}}
        )
        before, after = predict(bench, state), predict(replace(bench, **changes), state)
        assert after[node] == pytest.approx(before[node] + back_db)


def test_an_amplifier_adds_its_gain_and_what_it_may_have_more(tmp_path: Path) -> None:
    amplifier = "{kind: amplifier, gain: 17 dB, uncertainty: 1 dB, node_out: relay tx1 in}"
    text = changed(
        (
            "{kind: coupler, loss: {1.7 GHz: 20.2 dB, 2.5 GHz: 20.8 dB}, uncertainty: 0.2 dB, "
            "node_out: relay tx1 in}",
            amplifier,
        )
    )
    assert predict(bench_of(tmp_path, text), STATE)["relay tx1 in"] == pytest.approx(33.0 + 18.0)


def test_a_switch_in_an_unknown_position_counts_as_no_loss(tmp_path: Path) -> None:
    bench = bench_of(tmp_path)
    known, unknown = predict(bench, STATE), predict(bench, STATE, unknown=frozenset({"relay"}))
    assert unknown["relay tx1 in"] == known["relay tx1 in"]
    assert unknown["pad input"] == pytest.approx(known["pad input"] + 0.4)


PEAKS = changed(
    ("bandwidth: 40 MHz", "bandwidth: 40 MHz\n  papr: 12 dB"),
    ("pad input: 27 dBm", "pad input: {average: 27 dBm, peak: 28 dBm}"),
)


def test_peaks_are_the_average_and_papr_and_kept_below_the_peak_rating(tmp_path: Path) -> None:
    """About 14 dBm on average at the pad are far below 27 dBm, 26 dBm of peaks not 3 dB below 28 dBm."""
    bench = bench_of(tmp_path, PEAKS)
    state = replace(STATE, attenuation_db=8.0)
    levels = predict(bench, state)
    with pytest.raises(SafetyStop) as caught:
        refuse_overload(bench, state, levels)
    peak = levels["pad input"] + 12.0
    assert f"up to {peak:.1f} dBm in its peaks on 'pad input', which is rated 28 dBm peak" in str(
        caught.value
    )
    more = float(caught.value.next_step.split()[0])
    refuse_overload(bench, state, predict(bench, replace(state, attenuation_db=8.0 + more)))
    without = replace(bench, peak_ratings={})
    refuse_overload(without, state, predict(without, state))


def test_where_no_attenuation_is_read_back_none_is_offered_as_a_cure(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, changed(("pad input: 27 dBm", "relay tx1 in: 20 dBm")))
    spec = bench.radio_spec
    capability = replace(spec.dialect.capabilities["attenuation"], readback=False)
    dialect = replace(spec.dialect, capabilities={**spec.dialect.capabilities, "attenuation": capability})
    blind = replace(bench, radio_spec=replace(spec, dialect=dialect))
    with pytest.raises(SafetyStop) as caught:
        refuse_overload(blind, STATE, predict(blind, STATE))
    assert "more transmit attenuation" not in caught.value.next_step
    assert "a fixed pad of that size in front of 'relay tx1 in'" in caught.value.next_step

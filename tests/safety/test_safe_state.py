"""RF is off at the port in its time, whatever is broken: judged by the simulator, not by the tool."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from hilkit.safety import RfState, reach_safe
from hilkit.testing import simulated_bench
from tests.safety.pier import CARRIER_HZ, calibration_rig, rig

ON_AIR = RfState(
    channel=1, carrier_hz=CARRIER_HZ, attenuation_db=0.0, drive_dbfs=-3.0, tone_offset_hz=5e6, pad_db=10.0
)

OFF_DBM = -50.0
"""The radio head's own residue with RF off lies at -85 dBm."""

NO_MEANS = ("second_means:\n  - {channels: [1, 2], instrument: supply, output: 1}\n", "")
RELAY_MEANS = (
    "{channels: [1, 2], instrument: supply, output: 1}",
    "{channels: [1, 2], instrument: relay, open: [101, 102]}",
)


def test_a_radio_that_obeys_is_muted_and_seen_to_be_off(tmp_path: Path) -> None:
    with rig(tmp_path) as found:
        found.on_air(1)
        state, seconds = found.off_after_s(1)
        assert (state.not_safe, state.cut) == ([], [])
        assert state.told[0].startswith("RF of channel 1 is off: -") and "at its port" in state.told[0]
        assert state.told[1] == (
            "RF of channel 2 is off: -60 dBm or less at its port, by the detector of the radio"
        )
        assert seconds < 0.1
        assert found.world.pads["pad"].read() == 63.0
        assert found.world.relays["relay"].closed == set()
        assert found.connected.radio.attenuation(1) == 31.5


def test_a_radio_that_hangs_loses_its_power_within_two_seconds(tmp_path: Path) -> None:
    with rig(tmp_path) as found:
        found.on_air(1)
        found.fault("silence", "radio")
        state, seconds = found.off_after_s(1)
        assert state.not_safe == []
        assert len(state.cut) == 1
        assert state.cut[0].startswith("supply output 1 has cut RF of channel 1, 2: radio: no")
        assert seconds < 1.0
        assert not found.world.radio.powered
        assert found.world.relays["relay"].closed == set()


def test_a_radio_that_says_off_and_radiates_is_found_by_the_analyser_and_cut(tmp_path: Path) -> None:
    with rig(tmp_path) as found:
        found.on_air(1)
        found.fault("stuck_rf", "radio", "rf 1 off")
        state, seconds = found.off_after_s(1)
        assert state.not_safe == []
        assert state.cut[0].endswith("the analyser still sees 21 dBm at its port")
        assert state.told[0].startswith("RF of channel 1 is off: ")
        assert seconds < 2.0


@pytest.mark.parametrize(("pad_db", "attenuation_db"), [(0.0, 31.0), (20.0, 0.0), (20.0, 20.0), (40.0, 0.0)])
def test_it_is_found_at_low_levels_and_behind_the_pad(
    tmp_path: Path, pad_db: float, attenuation_db: float
) -> None:
    with rig(tmp_path) as found:
        found.on_air(1, pad_db=pad_db, attenuation_db=attenuation_db)
        found.fault("stuck_rf", "radio", "rf 1 off")
        state, _ = found.safe()
        assert len(state.cut) == 1
        assert found.port_dbm(1) < OFF_DBM


def test_without_a_detector_what_the_analyser_cannot_see_is_told_to_be_only_the_radios_word(
    tmp_path: Path,
) -> None:
    with rig(tmp_path) as found:
        found.on_air(1, pad_db=60.0, attenuation_db=20.0)
        found.fault("garbage", "radio", "match")
        state, _ = found.safe()
        assert state.not_safe == []
        assert "is off only as the radio reports: noise of the analyser hides" in state.told[0]
        assert state.told[1] == (
            "RF of channel 2 is off only as the radio reports: relay does not lead it to the analyser"
        )


def test_rf_that_the_analyser_cannot_see_is_found_by_the_radios_detector_and_cut(tmp_path: Path) -> None:
    with rig(tmp_path) as found:
        found.on_air(1, attenuation_db=20.0)
        found.connected.switches["relay"].route([102])
        found.fault("stuck_rf", "radio", "rf 1 off")
        state, seconds = found.off_after_s(1)
        assert state.not_safe == []
        assert state.cut[0].endswith("the detector of the radio still sees 1 dBm at its port")
        assert seconds < 2.0


def test_a_modulated_signal_is_seen_by_its_power(tmp_path: Path) -> None:
    """-25 dBm over 20 MHz: no part of it of 1 MHz reaches -30 dBm."""
    with rig(tmp_path) as found:
        found.on_air(1)
        radio = found.connected.radio
        radio.set_attenuation(1, 31.0)
        radio.stop_stream(1)
        radio.play_waveform(1, "nr20", -18.0)
        radio.start_stream(1)
        found.fault("stuck_rf", "radio", "rf 1 off")
        state, _ = found.safe()
        assert len(state.cut) == 1


def test_without_a_second_means_it_is_told_in_capitals_and_no_relay_moves(tmp_path: Path) -> None:
    """Never hot-switch a relay: common practice, no source."""
    with rig(tmp_path, NO_MEANS) as found:
        found.on_air(1)
        found.fault("stuck_rf", "radio", "rf 1 off")
        state, _ = found.safe()
        assert state.not_safe == [
            "RF OF CHANNEL 1 MAY BE ON, SWITCH THE SUPPLY OF THE RADIO OFF BY HAND: the analyser still sees "
            "21 dBm at its port"
        ]
        assert state.told[-1] == "relays and pads were left as they are, since RF may be on"
        assert found.world.relays["relay"].closed == {101}
        assert found.port_dbm(1) > 0


def test_where_the_supply_is_dead_too_nothing_is_called_safe(tmp_path: Path) -> None:
    with rig(tmp_path) as found:
        found.on_air(1)
        for name in ("radio", "supply"):
            found.fault("silence", name)
        state, seconds = found.safe()
        assert [text.split(",")[0] for text in state.not_safe] == [
            "RF OF CHANNEL 1 MAY BE ON",
            "RF OF CHANNEL 2 MAY BE ON",
        ]
        assert "supply output 1 did not cut it: supply: no answer" in state.not_safe[0]
        assert "the analyser still sees" in state.not_safe[0]
        assert seconds < 4.0
        assert found.world.relays["relay"].closed == {101}


def test_a_supply_that_stays_on_is_no_cut(tmp_path: Path) -> None:
    with rig(tmp_path) as found:
        found.on_air(1)
        found.fault("silence", "radio")
        found.fault("refusal", "supply", ":OUTP")
        state, _ = found.safe()
        assert state.cut == []
        assert "SWITCH THE SUPPLY OF THE RADIO OFF BY HAND" in state.not_safe[0]


def test_a_relay_can_be_the_second_means(tmp_path: Path) -> None:
    with rig(tmp_path, RELAY_MEANS) as found:
        found.on_air(1)
        found.fault("silence", "radio")
        state, _ = found.safe()
        assert state.not_safe == []
        assert state.cut[0].startswith("relay 101, 102 of relay has cut RF")
        assert found.world.relays["relay"].closed == set()


def test_the_next_means_is_tried_where_the_first_does_not_work(tmp_path: Path) -> None:
    both = f"{RELAY_MEANS[1]}\n  - {RELAY_MEANS[0]}"
    with rig(tmp_path, (RELAY_MEANS[0], both)) as found:
        found.on_air(1)
        found.fault("silence", "radio")
        found.fault("silence", "relay")
        state, seconds = found.off_after_s(1)
        assert [text.split(" has ")[0] for text in state.cut] == ["supply output 1"]
        assert seconds < 2.0
        assert state.not_safe[0].startswith("RELAYS OF relay ARE NOT OPEN, OPEN THEM BY HAND")


def test_a_dead_analyser_leaves_the_word_of_the_radio_and_says_so(tmp_path: Path) -> None:
    with rig(tmp_path) as found:
        found.on_air(1)
        found.fault("silence", "analyser")
        found.fault("garbage", "radio", "match 1")
        state, seconds = found.off_after_s(1)
        assert (state.not_safe, state.cut) == ([], [])
        assert state.told[0].startswith(
            "RF of channel 1 is off only as the radio reports: analyser: no answer"
        )
        assert state.told[1].endswith("at its port, by the detector of the radio")
        assert seconds < 0.1
        assert found.world.relays["relay"].closed == set()


def test_a_dead_pad_hides_nothing_and_keeps_nothing_on(tmp_path: Path) -> None:
    with rig(tmp_path) as found:
        found.on_air(1)
        found.fault("silence", "pad")
        state, seconds = found.off_after_s(1)
        assert state.not_safe[0].startswith("pad IS NOT AT ITS MAXIMUM, SET IT BY HAND BEFORE RF IS ON AGAIN")
        assert seconds < 0.1
        assert found.world.relays["relay"].closed == set()


def test_a_stuck_relay_and_a_stuck_pad_keep_no_rf_on(tmp_path: Path) -> None:
    with rig(tmp_path) as found:
        found.on_air(1)
        found.fault("stuck_relay", "relay")
        found.fault("stuck_attenuator", "pad")
        state, seconds = found.off_after_s(1)
        assert (state.not_safe, state.cut) == ([], [])
        assert seconds < 0.1


@pytest.mark.parametrize("kind", ["garbage", "half_block", "refusal", "reboot", "dropped_connection"])
def test_whatever_else_the_radio_does_rf_is_off_in_time(tmp_path: Path, kind: str) -> None:
    with rig(tmp_path) as found:
        found.on_air(1)
        found.fault(kind, "radio")
        state, seconds = found.off_after_s(1)
        assert state.not_safe == []
        assert seconds < 2.0


def test_a_connection_that_was_dropped_once_is_opened_again_and_nothing_is_cut(tmp_path: Path) -> None:
    with rig(tmp_path) as found:
        found.on_air(1)
        found.fault("dropped_connection", "radio", count=1)
        state, seconds = found.off_after_s(1)
        assert (state.not_safe, state.cut) == ([], [])
        assert seconds < 0.5


def test_a_run_that_goes_on_leaves_its_supplies_on_and_one_that_ends_does_not(tmp_path: Path) -> None:
    more = "\n".join(
        f"  - {{instrument: supply, output: 2, voltage: {volts} V, current_limit: 1 A, feeds: {what}}}"
        for volts, what in ((5, "drain of the amplifier"),)
    )
    with rig(tmp_path, ("\nsecond_means:", f"{more}\n\nsecond_means:")) as found:
        found.connected.power_up(found.clock)
        output = found.world.supplies["supply"].outputs[2]
        assert output.on
        assert found.safe(keep_supplies=True)[0].not_safe == []
        assert output.on
        assert found.safe()[0].not_safe == []
        assert not output.on
        assert found.world.radio.powered


def test_a_drain_that_does_not_go_down_keeps_its_gate_on(tmp_path: Path) -> None:
    rails = (
        "  - {instrument: supply, output: 1, voltage: 12 V, current_limit: 3 A, feeds: gate}\n"
        "  - {instrument: supply, output: 2, voltage: 5 V, current_limit: 1 A, feeds: drain}\n"
    )
    shipped = (
        "  - {instrument: supply, output: 1, voltage: 12 V, current_limit: 3 A, feeds: radio, "
        "current: {min: 0.5 A, max: 1.5 A}}\n"
    )
    with rig(tmp_path, (shipped, rails)) as found:
        found.connected.power_up(found.clock)
        supply = found.connected.supplies["supply"]
        measured = supply.measured_voltage
        supply.measured_voltage = (  # type: ignore[method-assign]
            lambda output=1: 5.0 if output == 2 else measured(output)
        )
        state, _ = found.safe()
        assert state.not_safe[0].startswith("supply output 2 (drain) IS NOT DOWN, SWITCH IT OFF BY HAND: ")
        assert state.not_safe[1].startswith(
            "supply output 1 (gate) IS STILL ON, SWITCH IT OFF BY HAND AFTER supply output 2"
        )
        assert found.world.radio.powered


def test_it_costs_little_on_a_bench_in_order(tmp_path: Path) -> None:
    """Bench time in seconds, waits for relays and pad included."""
    with rig(tmp_path) as found:
        found.on_air(1)
        assert found.safe(keep_supplies=True)[1] < 0.4


def test_a_generator_goes_off_at_the_same_time_as_a_radio_that_hangs() -> None:
    with calibration_rig() as found:
        found.on_air(1)
        generator = found.connected.generators["generator"]
        generator.set_level(0.0)
        generator.set_output(True)
        found.fault("silence", "radio")
        began = found.clock.now()
        state, _ = found.safe()
        assert state.not_safe == []
        assert not found.simulated.instruments["generator"].settings["output"]  # type: ignore[attr-defined]
        assert found.port_dbm(1) < OFF_DBM
        assert found.clock.now() - began < 2.0


def test_a_dead_generator_is_named_and_keeps_the_radio_from_nothing() -> None:
    with calibration_rig() as found:
        found.on_air(1)
        found.fault("silence", "generator")
        state, seconds = found.off_after_s(1)
        assert len(state.not_safe) == 1
        assert state.not_safe[0].startswith(
            "RF OF generator MAY BE ON, SWITCH generator OFF BY HAND: generator"
        )
        assert seconds < 0.1
        assert found.world.relays["relay"].closed == {101}


def test_over_sockets_it_is_the_same() -> None:
    with simulated_bench(over_sockets=True) as found:
        found.session.select(1)
        found.session.rf(ON_AIR)
        assert found.world.truth_port_lines(1)[0].level_dbm > 0
        state = reach_safe(found.connected, found.clock, keep_supplies=True)
        assert (state.not_safe, state.cut) == ([], [])
        assert state.told[0].startswith("RF of channel 1 is off: ")
        assert found.world.truth_port_lines(1)[0].level_dbm < OFF_DBM


def test_over_sockets_a_radio_without_power_is_cut_in_wall_time_too() -> None:
    with simulated_bench(over_sockets=True) as found:
        found.session.select(1)
        found.session.rf(ON_AIR)
        found.world.radio.handle_line = lambda text: ""  # type: ignore[method-assign]
        began = time.monotonic()
        state = reach_safe(found.connected, found.clock, keep_supplies=True)
        assert time.monotonic() - began < 4.0
        assert len(state.cut) == 1
        assert found.world.truth_port_lines(1)[0].level_dbm < OFF_DBM

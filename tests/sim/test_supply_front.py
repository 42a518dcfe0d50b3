"""The simulated DC supply, over SCPI: SCPI-99 volume 2, SOURce, OUTPut, MEASure, INSTrument (from memory)."""

from __future__ import annotations

import pytest

from hilkit.clock import VirtualClock
from hilkit.files import Lab
from hilkit.sim.bench import SimulatedBench
from hilkit.sim.profile import load_profile
from hilkit.sim.world import World
from tests.sim.standin import Talk


@pytest.fixture
def bench(clock: VirtualClock) -> SimulatedBench:
    lab = Lab(None)
    return SimulatedBench(World(load_profile(lab.find("profile", "simulated_pier"), lab), clock))


@pytest.fixture
def talk(bench: SimulatedBench) -> Talk:
    return Talk(bench.instruments["supply"])


def radio_says(bench: SimulatedBench, line: str) -> str:
    return bench.world.radio.handle_line(line)


def port_dbm(bench: SimulatedBench, channel: int = 1) -> float:
    return bench.world.truth_port_lines(channel)[0].level_dbm


def on_air(bench: SimulatedBench) -> None:
    for line in ("trim 1 0", "play 1 tone 5e6 0", "play 1 start", "rf 1 on"):
        assert radio_says(bench, line) == "ok"


def test_at_power_on_the_outputs_stand_as_the_profile_has_them(talk: Talk) -> None:
    assert talk.ask("*IDN?").split(",")[1] == "PS32"
    assert talk.ask(":OUTP? (@1,2)") == "1,0"
    assert [float(part) for part in talk.ask(":VOLT? (@1,2)").split(",")] == [12.0, 0.0]
    assert float(talk.ask(":MEAS:VOLT?")) == pytest.approx(12.0, rel=2e-3)
    assert float(talk.ask(":MEAS:CURR?")) == pytest.approx(0.9, rel=2e-3)


def test_an_output_is_chosen_by_number_or_by_list(talk: Talk, clock: VirtualClock) -> None:
    talk.write(":INST:NSEL 2;:VOLT 5;:CURR 500 MA;:OUTP ON")
    clock.sleep(1.0)
    assert float(talk.ask(":MEAS:VOLT? (@2)")) == pytest.approx(5.0, rel=2e-3)
    assert float(talk.ask(":MEAS:CURR?")) == pytest.approx(0.2, rel=2e-3)
    talk.write(":VOLT 6,(@2);:INST:NSEL 1")
    assert [float(part) for part in talk.ask(":VOLT? (@2);:VOLT?").split(";")] == [6.0, 12.0]
    assert talk.refused(":VOLT 5,(@3)") == -222
    assert talk.refused(":INST:NSEL 3") == -222
    assert talk.refused(":VOLT 40") == -222
    assert float(talk.ask(":VOLT? MAX")) == 32.0


def test_without_power_the_radio_sends_and_says_nothing_and_boots_when_it_is_back(
    bench: SimulatedBench, talk: Talk, clock: VirtualClock
) -> None:
    on_air(bench)
    assert port_dbm(bench) > 20
    talk.write(":OUTP OFF")
    assert port_dbm(bench) < -200
    assert radio_says(bench, "about") == ""
    bench.world.radio.reboot()
    clock.sleep(60.0)
    assert bench.world.radio.console_lines() == []
    assert radio_says(bench, "awake") == ""
    talk.write(":OUTP ON")
    assert radio_says(bench, "awake") == ""
    clock.sleep(4.1)
    assert radio_says(bench, "awake").endswith("starts=4")
    assert radio_says(bench, "rf 1") == "rf 1 off"
    assert radio_says(bench, "trim 1") == "trim 1 31.50"


def test_a_connection_from_before_the_power_failed_is_lost_and_a_new_one_is_taken(
    bench: SimulatedBench, talk: Talk, clock: VirtualClock
) -> None:
    radio = bench.instruments["radio"]
    old = radio.connect(stream=True)
    talk.write(":OUTP OFF;:OUTP ON")
    clock.sleep(5.0)
    assert not radio.refuses
    old.receive(b"about\n")
    assert old.lost
    assert not old.pending


def test_the_current_follows_what_the_radio_does(bench: SimulatedBench, talk: Talk) -> None:
    """idle 0.9 A, 0.25 A more with RF on, up to 0.15 A more with the amplitude: as in the profile."""
    on_air(bench)
    assert float(talk.ask(":MEAS:CURR?")) == pytest.approx(1.30, rel=5e-3)
    radio_says(bench, "trim 1 20")
    assert float(talk.ask(":MEAS:CURR?")) == pytest.approx(0.9 + 0.25 + 0.015, rel=5e-3)
    radio_says(bench, "rf 1 off")
    assert float(talk.ask(":MEAS:CURR?")) == pytest.approx(0.9, rel=5e-3)


def test_over_current_trips_while_it_flows_and_holds_the_output_off(
    bench: SimulatedBench, talk: Talk
) -> None:
    talk.write(":CURR 1 A;:CURR:PROT:STAT ON")
    assert radio_says(bench, "rf 1 on") == "ok"
    assert port_dbm(bench) < -200
    assert talk.ask(":OUTP?;:CURR:PROT:TRIP?;:VOLT:PROT:TRIP?") == "0;1;0"
    assert talk.ask(":STAT:QUES:COND?") == "2"
    assert talk.refused(":OUTP ON") == -221
    talk.write(":CURR:PROT:CLE;:OUTP ON")
    assert talk.ask(":OUTP?;:STAT:QUES:COND?") == "1;0"


def test_at_the_current_limit_without_a_trip_the_voltage_gives_way_and_the_radio_dies(
    bench: SimulatedBench, talk: Talk, clock: VirtualClock
) -> None:
    bench.world.supplies["supply"].outputs[1].change("extra_a", 2.5)
    assert float(talk.ask(":MEAS:CURR?")) == pytest.approx(3.0, rel=2e-3)
    assert float(talk.ask(":MEAS:VOLT?")) < 9.0
    assert radio_says(bench, "about") == ""


def test_over_voltage_trips(bench: SimulatedBench, talk: Talk) -> None:
    talk.write(":VOLT:PROT 14")
    talk.write(":VOLT 15")
    assert talk.ask(":OUTP?;:VOLT:PROT:TRIP?") == "0;1"
    assert radio_says(bench, "about") == ""


def test_a_reset_takes_the_power_away(bench: SimulatedBench, talk: Talk) -> None:
    talk.write("*RST")
    assert talk.ask(":OUTP? (@1,2)") == "0,0"
    assert radio_says(bench, "about") == ""


def test_the_terminals_rise_and_fall_in_their_time(talk: Talk, clock: VirtualClock) -> None:
    talk.write(":OUTP OFF")
    assert float(talk.ask(":MEAS:VOLT?")) > 10.0
    clock.sleep(0.06)
    assert float(talk.ask(":MEAS:VOLT?")) == pytest.approx(1.2, rel=0.2)
    clock.sleep(0.3)
    talk.write(":OUTP ON")
    assert float(talk.ask(":MEAS:VOLT?")) < 3.0
    clock.sleep(0.05)
    assert float(talk.ask(":MEAS:VOLT?")) == pytest.approx(12.0, rel=2e-3)

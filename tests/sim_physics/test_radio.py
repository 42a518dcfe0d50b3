"""The control language of the simulated radio, and the states behind it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from hilkit.sim.world import World

Tell = Callable[..., str]


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("about", "about model=PH2-220 serial=PH2-000417 build=4.2.0"),
        ("clockin", "clockin internal locked"),
        ("clockin external", "ok"),
        ("awake", "awake seconds=5400.0 starts=3"),
        ("rf 1", "rf 1 off"),
        ("rf 2 on", "ok"),
        ("lo 1", "lo 1 1805000000 slewing"),
        ("lo 1 1842500000", "ok"),
        ("lo 1 restart", "ok"),
        ("trim 1", "trim 1 31.50"),
        ("trim 1 12.5", "ok"),
        ("play 1", "play 1 nothing 0 0 stopped"),
        ("play 1 tone 7500000 -6.0", "ok"),
        ("play 2 file nr20 -12.0", "ok"),
        ("tune 1 ?", "tune 1 none"),
        ("mend 1", "mend 1 off"),
        ("warmth", "warmth 37.0"),
        ("", ""),
    ],
)
def test_a_line_is_answered(world: World, line: str, answer: str) -> None:
    assert world.radio.handle_line(line) == answer


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("trim 1 32", "sorry 12 trim out of range 0 to 31.5"),
        ("trim 1 0.3", "sorry 14 trim moves in steps of 0.5"),
        ("lo 1 1900000000", "sorry 13 lo out of range 1805000000 to 1880000000 or 2300000000 to 2400000000"),
        ("play 1 tone 40000000 -6", "sorry 16 tone offset out of range 30000000 either side"),
        ("play 1 tone 1000000 3", "sorry 15 play level out of range -60 to 0"),
        ("play 1 file nr99 -6", "sorry 17 no file nr99"),
        ("play 1 start", "sorry 18 nothing to play"),
        ("rf 3 on", "sorry 19 no channel 3"),
        ("rf", "sorry 11 a channel is missing"),
        ("rf 1 maybe", "sorry 11 on or off is needed here, not maybe"),
        ("lo 1 fast", "sorry 11 a number is needed here, not fast"),
        ("clockin gps", "sorry 11 clockin knows external and internal, not gps"),
        ("about it", "sorry 11 0 words are needed here, not 1"),
        ("hello", "sorry 10 unknown word hello"),
    ],
)
def test_what_the_unit_cannot_do_it_refuses_with_a_number(world: World, line: str, answer: str) -> None:
    assert world.radio.handle_line(line) == answer


def test_a_refused_line_changes_nothing(world: World, tell: Tell) -> None:
    tell("trim 1 10")
    world.radio.handle_line("trim 1 99")
    assert tell("trim 1") == "trim 1 10.00"


def test_the_stream_says_what_plays(tell: Tell) -> None:
    tell("play 1 tone -7500000 -6.5", "play 1 start")
    assert tell("play 1") == "play 1 tone -7500000 -6.5 running"
    tell("play 1 stop")
    assert tell("play 1") == "play 1 tone -7500000 -6.5 stopped"


def test_the_loop_needs_its_lock_time(world: World, tell: Tell) -> None:
    world.clock.sleep(1.0)
    tell("lo 1 1842500000")
    world.clock.sleep(0.059)
    assert tell("lo 1") == "lo 1 1842500000 slewing"
    assert abs(world.radio.channels[1].frequency_hz(world.clock.now()) - 1842.5e6) > 100
    world.clock.sleep(0.002)
    assert tell("lo 1") == "lo 1 1842500000 locked"
    assert world.radio.channels[1].frequency_hz(world.clock.now()) == 1842.5e6


def test_a_lost_loop_stays_lost_until_it_is_restarted(world: World, tell: Tell) -> None:
    world.clock.sleep(1.0)
    world.radio.lose_lock(1)
    world.clock.sleep(9.0)
    assert tell("lo 1").endswith("lost")
    assert tell("lo 2").endswith("locked")
    tell("lo 1 restart")
    world.clock.sleep(1.0)
    assert tell("lo 1").endswith("locked")


def test_the_external_clock_is_sought_then_held(world: World, tell: Tell) -> None:
    tell("clockin external")
    assert tell("clockin") == "clockin external seeking"
    assert world.radio.reference_error(world.clock.now()) == pytest.approx(0.7e-6)
    world.clock.sleep(1.3)
    assert tell("clockin") == "clockin external locked"
    assert world.radio.reference_error(world.clock.now()) == pytest.approx(2e-9)


def test_a_missing_clock_is_said_to_be_absent(world: World, tell: Tell) -> None:
    world.radio.reference_present = False
    tell("clockin external")
    world.clock.sleep(10)
    assert tell("clockin") == "clockin external absent"


def test_a_calibration_takes_its_time_and_is_stale_after_a_retune(world: World, tell: Tell) -> None:
    tell("lo 1 1842500000")
    world.clock.sleep(0.1)
    tell("tune 1")
    world.clock.sleep(0.2)
    assert tell("tune 1 ?") == "tune 1 busy 66"
    world.clock.sleep(0.2)
    assert tell("tune 1 ?") == "tune 1 good"
    tell("lo 1 1862500000")
    assert tell("tune 1 ?") == "tune 1 stale"


def test_a_calibration_without_lock_is_bad(world: World, tell: Tell) -> None:
    tell("lo 1 1842500000", "tune 1")
    world.clock.sleep(1.0)
    assert tell("tune 1 ?") == "tune 1 bad"


def test_corrections_learn_while_the_stream_is_on_air(world: World, on_air: World, tell: Tell) -> None:
    tell("mend 1 off", "mend 1 on")
    world.clock.sleep(0.65)
    assert tell("mend 1") == "mend 1 learning 50"
    tell("rf 1 off")
    world.clock.sleep(5.0)
    assert tell("mend 1") == "mend 1 learning 50"
    tell("rf 1 on")
    world.clock.sleep(0.7)
    assert tell("mend 1") == "mend 1 settled 100"


def test_corrections_stick_where_the_level_is_too_low(on_air: World, tell: Tell) -> None:
    tell("mend 1 off", "play 1 tone 7500000 -20", "play 1 start", "trim 1 31.5", "mend 1 on")
    on_air.clock.sleep(10)
    assert tell("mend 1") == "mend 1 stuck 5"


def test_corrections_stick_without_a_calibration_at_this_carrier(on_air: World, tell: Tell) -> None:
    tell("lo 1 1862500000")
    on_air.clock.sleep(10)
    assert tell("mend 1") == "mend 1 stuck 5"


def test_settled_corrections_hold_when_the_level_drops(on_air: World, tell: Tell) -> None:
    tell("trim 1 31.5")
    on_air.clock.sleep(5)
    assert tell("mend 1") == "mend 1 settled 100"


def test_a_reboot_shows_in_uptime_and_starts_and_forgets_everything(on_air: World, tell: Tell) -> None:
    tell("reboot")
    assert on_air.radio.booting
    assert on_air.radio.handle_line("about") == ""
    on_air.clock.sleep(5.0)
    assert tell("awake") == "awake seconds=1.0 starts=4"
    assert tell("rf 1") == "rf 1 off"
    assert tell("tune 1 ?") == "tune 1 none"
    assert tell("clockin") == "clockin internal locked"


def test_the_console_speaks_when_its_time_has_come(world: World, tell: Tell) -> None:
    tell("lo 1 1842500000")
    assert world.radio.console_lines() == []
    world.clock.sleep(0.5)
    assert world.radio.console_lines() == ["~ 0.060 lo 1 locked"]
    assert world.radio.console_lines() == []
    world.clock.sleep(20)
    assert [line.split()[2] for line in world.radio.console_lines()] == ["warmth"]


def test_the_unit_warms_up_on_air(on_air: World, tell: Tell) -> None:
    before = float(tell("warmth").split()[1])
    tell("trim 1 0", "play 1 tone 7500000 0", "play 1 start")
    on_air.clock.sleep(600)
    assert float(tell("warmth").split()[1]) - before == pytest.approx(12.0, abs=0.5)

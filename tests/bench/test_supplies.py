"""Supplies: mistakes at their places, up in order, down in reverse, confirmed by what is measured."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from hilkit.bench import Bench
from hilkit.bench.power import bring_down
from hilkit.clock import VirtualClock
from hilkit.errors import BenchError, FileProblems, RefusedError
from hilkit.sim import open_simulated
from hilkit.sim.profile import load_profile
from hilkit.sim.world import World
from tests.bench.pier import LAB, Lines, pier

RAIL = (
    "{instrument: supply, output: 1, voltage: 12 V, current_limit: 3 A, feeds: radio, "
    "current: {min: 0.5 A, max: 1.5 A}}"
)
MEANS = "{channels: [1, 2], instrument: supply, output: 1}"
BIAS = "{instrument: supply, output: 2, voltage: 5 V, current_limit: 1 A, feeds: bias of the amplifier}"


def test_the_shipped_bench_has_its_supply_and_what_cuts_rf(tmp_path: Path) -> None:
    bench = pier(tmp_path)
    (rail,) = bench.rails
    assert (rail.name, rail.voltage_v, rail.limit_a, rail.feeds) == ("supply output 1", 12.0, 3.0, "radio")
    assert (rail.tolerance, rail.current_a, rail.off_when_safe) == (0.03, (0.5, 1.5), False)
    (means,) = bench.second_means
    assert (means.name, means.channels) == ("supply output 1", (1, 2))
    assert bench.off_level_dbm == -30.0


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (RAIL, RAIL.replace("instrument: supply", "instrument: suply"), "there is no instrument 'suply'"),
        (RAIL, RAIL.replace("instrument: supply", "instrument: suply"), "did you mean supply?"),
        (RAIL, RAIL.replace("instrument: supply", "instrument: pad"), "pad is no DC supply"),
        (RAIL, RAIL.replace("12 V", "80 V"), "allowed: 0 V to 60 V"),
        (RAIL, RAIL.replace("12 V", "-1 V"), "a voltage above zero is needed"),
        (RAIL, RAIL.replace("3 A", "0 A"), "a current above zero is needed"),
        (RAIL, RAIL.replace("output: 1", "output: 9"), "supply has no such output"),
        (RAIL, RAIL.replace("feeds: radio", "feeds: ''"), "what it feeds is missing"),
        (RAIL, RAIL.replace("feeds: radio", "over_voltage: 11 V, feeds: radio"), "allowed: more than 12 V"),
        (RAIL, RAIL.replace("max: 1.5 A", "max: 4 A"), "0.5 A to 4 A, limit 3 A"),
        (RAIL, RAIL.replace("feeds: radio", "tolerance: 80 %, feeds: radio"), "50 %"),
        (RAIL, f"{RAIL}\n  - {RAIL}", "supply output 1 is here already"),
        (MEANS, MEANS.replace("[1, 2]", "[1, 3]"), "the radio has no channel 3"),
        (MEANS, MEANS.replace("[1, 2]", "[]"), "at least one channel is needed"),
        (MEANS, MEANS.replace("output: 1", "open: [101]"), "`open` does not go with it"),
        (MEANS, MEANS.replace(", output: 1", ""), "`output` is missing: what of supply cuts RF"),
        (MEANS, MEANS.replace("instrument: supply", "instrument: relay"), "`output` does not go with it"),
        (
            MEANS,
            MEANS.replace("instrument: supply", "instrument: analyser"),
            "no DC supply or a switch matrix",
        ),
        ("off_level: -30 dBm", "off_level: -30 dB", "pier.yaml"),
        ("off_level: -30 dBm", "off_level: 20 dBm", "RF that is on could pass for off"),
        (MEANS, MEANS.replace("output: 1", "output: 9"), "supply has no such output"),
        (MEANS, MEANS.replace("output: 1", "output: 2"), "supply output 2 does not feed the radio"),
        (MEANS, MEANS.replace("output: 1", "output: 2"), "allowed: supply output 1"),
    ],
)
def test_a_mistake_is_answered_at_its_place(tmp_path: Path, old: str, new: str, says: str) -> None:
    with pytest.raises(FileProblems) as caught:
        pier(tmp_path, (old, new))
    assert says in str(caught.value)
    (problem, *_) = caught.value.problems
    text = (tmp_path / "pier.yaml").read_text(encoding="utf-8").splitlines()
    assert "supplies:" in "\n".join(text[: problem.line])
    assert problem.line_text == text[problem.line - 1]


def opened(bench: Bench, *faults: Any) -> tuple[Any, World, VirtualClock]:
    clock = VirtualClock()
    manager, world = open_simulated(load_profile("simulated_pier", LAB), clock, seed=1, faults=faults)
    return manager, world, clock


def test_what_is_up_at_the_start_stays_as_it_is(tmp_path: Path) -> None:
    bench = pier(tmp_path)
    manager, world, clock = opened(bench)
    lines = Lines()
    with bench.connect(manager, clock, lines, LAB) as connected:
        assert connected.power_up(clock) == []
    assert world.radio.power_cycles == 0
    told = [text for text in lines.sent("supply") if "?" not in text and "NSELect" not in text]
    assert told == []


def test_a_radio_without_power_is_powered_and_waited_for_before_it_is_asked(tmp_path: Path) -> None:
    bench = pier(tmp_path)
    manager, world, clock = opened(bench)
    world.supplies["supply"].outputs[1].reset()
    assert not world.radio.powered
    with bench.connect(manager, clock, Lines(), LAB) as connected:
        assert connected.radio.boot_count() == 4
        assert connected.supplies["supply"].measured_voltage() == pytest.approx(12.0, rel=2e-3)


def test_supplies_come_up_in_the_order_of_the_file_and_before_the_radio_what_stands_before_it(
    tmp_path: Path,
) -> None:
    bench = pier(tmp_path, (RAIL, f"{BIAS}\n  - {RAIL}"))
    manager, world, clock = opened(bench)
    world.supplies["supply"].outputs[1].reset()
    lines = Lines()
    with bench.connect(manager, clock, lines, LAB) as connected:
        assert connected.power_up(clock) == []
    sent = lines.sent("supply")
    ons = [index for index, text in enumerate(sent) if text == ":OUTPut:STATe ON"]
    chosen = [max(i for i in range(on) if sent[i].startswith(":INSTrument:NSELect ")) for on in ons]
    assert [sent[index] for index in chosen] == [":INSTrument:NSELect 2", ":INSTrument:NSELect 1"]


def test_an_output_that_is_on_with_other_settings_ends_the_run_untouched(tmp_path: Path) -> None:
    bench = pier(tmp_path)
    manager, world, clock = opened(bench)
    world.supplies["supply"].outputs[1].change("voltage_v", 15.0)
    wrong = pytest.raises(BenchError, match="is on with 15 V and a limit of 3 A; the bench file says 12 V")
    with bench.connect(manager, clock, Lines(), LAB) as connected, wrong:
        connected.power_up(clock)
    assert world.radio.powered


def test_one_that_does_not_reach_its_window_is_switched_off_again_and_none_after_it_is_on(
    tmp_path: Path,
) -> None:
    bench = pier(tmp_path, (RAIL, f"{RAIL}\n  - {BIAS}"), ("max: 1.5 A", "max: 0.8 A"))
    manager, world, clock = opened(bench)
    world.supplies["supply"].outputs[1].reset()
    with pytest.raises(BenchError, match=r"should give 0\.5 to 0\.8 A, it measures 0\.901 A"):
        bench.connect(manager, clock, Lines(), LAB)
    outputs = world.supplies["supply"].outputs
    assert (outputs[1].on, outputs[2].on) == (False, False)


def test_a_short_is_told_by_the_measured_voltage(tmp_path: Path) -> None:
    bench = pier(tmp_path)
    manager, world, clock = opened(bench)
    output = world.supplies["supply"].outputs[1]
    output.reset()
    output.extra_a = 10.0
    with pytest.raises(BenchError, match=r"should give 11\.64 to 12\.36 V, it measures 3"):
        bench.connect(manager, clock, Lines(), LAB)
    assert not output.on


def test_a_tripped_output_is_not_forced_on(tmp_path: Path) -> None:
    bench = pier(tmp_path)
    manager, world, clock = opened(bench)
    output = world.supplies["supply"].outputs[1]
    output.reset()
    output.tripped = "current"
    with pytest.raises(RefusedError, match="stays off: its over-current protection has tripped"):
        bench.connect(manager, clock, Lines(), LAB)


def test_down_is_down_only_once_no_voltage_is_measured(tmp_path: Path) -> None:
    bench = pier(tmp_path)
    manager, _, clock = opened(bench)
    with bench.connect(manager, clock, Lines(), LAB) as connected:
        supply = connected.supplies["supply"]
        began = clock.now()
        bring_down(supply, bench.rails[0], clock)
        assert supply.measured_voltage() < 1.2
        assert clock.now() - began < 0.3
        supply.measured_voltage = lambda output=1: 11.0  # type: ignore[method-assign]
        with pytest.raises(BenchError, match=r"is off, but 11\.00 V are left at it after 1 s"):
            bring_down(supply, bench.rails[0], clock)

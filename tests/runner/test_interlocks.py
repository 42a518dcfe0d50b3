"""Interlocks and ramp in a whole run: what trips them, how soon RF is off; a good bench trips none."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from hilkit.errors import ExitCode
from hilkit.sim.profile import Fault
from tests.runner.trips import Watched, watched

AT_S = 3.2
SEEN_WITHIN_S = 0.5
"""Stated in the manual, chapter safety."""

OFF_WITHIN_S = 1.0


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Watched:
    return watched(tmp_path_factory.mktemp("good"))


def test_a_good_bench_trips_nothing(good: Watched) -> None:
    assert (good.code, good.reason) == (ExitCode.PASSED, "")


def test_while_rf_is_on_every_interlock_is_read_at_least_every_half_second(good: Watched) -> None:
    """The interval is the one that the manual states; the times are those of the transcript."""
    on, last, reads, longest = False, 0.0, 0, 0.0
    for line in good.transcript:
        stamp, _, said = line.partition(" ")
        hours, minutes, seconds = stamp.partition("T")[2].rstrip("Z").split(":")
        now = int(hours) * 3600 + int(minutes) * 60 + float(seconds)
        if said in ("radio -> rf 1 on", "radio -> rf 1 off"):
            on, last = said.endswith("on"), now
        if said == "relay -> :SENSe:DIGital:DATA? (@1)":
            longest, last, reads = max(longest, now - last if on else 0.0), now, reads + 1
    assert reads > 10
    assert longest <= SEEN_WITHIN_S


@pytest.mark.parametrize(
    ("instrument", "kind", "name", "words"),
    [
        ("radio", "lost_load", "load", ("return loss at the port of channel 1 is 0 dB", "10 dB or more")),
        ("radio", "overheating", "radio temperature", ("temperature of radio is 8", "65 °C or less")),
        ("radio", "lost_reference", "radio reference", ("is absent", "must be locked")),
        ("radio", "excess_current", "supply current", ("current of supply output 1 is 2.", "0.5 A to 2.5 A")),
        ("relay", "open_contact", "hood", ("DATA? (@1) is 0", "must be 1")),
    ],
)
def test_what_trips_in_mid_run_ends_it_with_rf_off(
    tmp_path: Path, instrument: str, kind: str, name: str, words: tuple[str, str]
) -> None:
    fault = Fault.model_validate({"instrument": instrument, "kind": kind, "at": f"{AT_S} s", "count": 1000})
    done = watched(tmp_path, fault)
    assert done.code is ExitCode.SAFETY
    assert f"interlock {name!r} tripped" in done.reason
    assert all(word in done.reason for word in words), done.reason
    assert "next:" in done.reason
    assert not done.stored.not_safe
    assert AT_S < done.off_s <= AT_S + SEEN_WITHIN_S + OFF_WITHIN_S


def test_an_interlock_that_cannot_be_read_counts_as_tripped(tmp_path: Path) -> None:
    fault = Fault(instrument="relay", kind="nan", when=":SENSe:DIGital", after=5)
    done = watched(tmp_path, fault)
    assert done.code is ExitCode.SAFETY
    assert "'hood' tripped" in done.reason and "cannot be read" in done.reason


def test_before_the_first_rf_an_open_hood_keeps_it_off(tmp_path: Path) -> None:
    done = watched(tmp_path, truth=[("contacts: {1: closed}", "contacts: {1: open}")])
    assert done.code is ExitCode.SAFETY
    assert done.levels == [] or done.highest_dbm == float("-inf")
    assert "radio -> rf 1 on" not in {line.partition(" ")[2] for line in done.transcript}


LOWEST_DBM = 24.0 - 31.5 - 6.0
"""Lowest level of the plan's ramp at the port: max_level, highest attenuation, a drive of -6 dBFS."""


@pytest.mark.parametrize(
    ("truth", "words"),
    [
        # a load that is off, seen by the radio itself
        ([("    channel: 1\n", "    channel: 1\n    connected: false\n")], "'load' tripped"),
        # the cable to the analyser is off: nothing is wrong at the port, behind 20 dB of coupler
        ([("conductor: 0.55 dB", "conductor: 60 dB")], "lowest level of the ramp"),
        # the coupler's 20 dB are not there
        ([("loss: {1.7 GHz: 20.22 dB, 2.5 GHz: 19.84 dB}", "loss: 10 dB")], "lowest level of the ramp"),
        # the fixed pad was taken out: 3.05 dB are at the edge of the window, the 10 dB one would not be
        ([("{kind: pad, loss: 3.05 dB", "{kind: pad, loss: 9 dB")], "dB less"),
        # more current at low power than the window allows
        ([("rf_on: 0.25 A", "rf_on: 2 A")], "'supply current' tripped"),
    ],
)
def test_what_is_wrong_with_the_bench_shows_at_the_lowest_level(
    tmp_path: Path, truth: list[tuple[str, str]], words: str
) -> None:
    done = watched(tmp_path, truth=truth)
    assert done.code is ExitCode.SAFETY, done.reason
    assert words in done.reason, done.reason
    assert done.highest_dbm <= LOWEST_DBM + 1.0


def test_an_attenuator_that_does_not_do_what_it_says_stops_the_ramp(tmp_path: Path) -> None:
    """A code of the transmit attenuator that lets 2.6 dB more through is no error of the whole level yet."""
    truth = [
        (
            "{error_sd: 0.06 dB, error_bound: 0.08 dB,",
            "{error_sd: 0.06 dB, error_bound: 0.08 dB, errors: {21 dB: -2.6 dB},",
        )
    ]
    done = watched(tmp_path, truth=truth)
    assert done.code is ExitCode.SAFETY
    assert "the level rose by" in done.reason
    assert done.highest_dbm < 0.0


def test_the_ramp_reads_under_its_own_name(good: Watched) -> None:
    """Noise is drawn by the text on the screen: what the ramp reads may not take numbers from a step."""
    texts = [line for line in good.transcript if ":DISPlay:WINDow:TEXT:DATA " in line]
    assert [text.split('"')[1].split(" ")[0] for text in texts][:4] == [
        "bring_up",
        "ramp",
        "tone_placement",
        "power_sweep",
    ]


def test_the_ramp_ends_at_the_highest_level_of_the_combination(good: Watched) -> None:
    rises = [level for _, level in good.levels if level != float("-inf")][:4]
    assert rises == sorted(rises) and rises[0] <= LOWEST_DBM + 1.0
    assert rises[-1] == pytest.approx(good.highest_dbm)
    assert all(high - low <= 12.0 + 1e-9 for low, high in pairwise(rises))


def test_nothing_moved_while_rf_was_on(good: Watched) -> None:
    """From the simulator's own log of what moved under power, not from what was sent."""
    assert good.world.hot_moves == []

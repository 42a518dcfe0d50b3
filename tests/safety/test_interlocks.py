"""The watch over the interlocks by itself: when it reads, what it leaves alone, that it stays tripped."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hilkit.clock import VirtualClock
from hilkit.errors import LinkError, SafetyStop
from hilkit.safety import RfState
from hilkit.safety.interlocks import Interlocks
from tests.bench.pier import pier

STATE = RfState(channel=1, carrier_hz=1842.5e6, attenuation_db=10.0, tone_offset_hz=7.5e6)


class Told:
    """Stands for a radio; ``asked`` counts what it was asked."""

    def __init__(self) -> None:
        self.asked: list[str] = []
        self.busy = self.restoring = self.gone = False
        self.return_loss, self.temperature = 20.0, 40.0

    def return_loss_db(self, channel: int) -> float:
        self.asked.append(f"return loss {channel}")
        return self.return_loss

    def rf(self, channel: int) -> bool:
        self.asked.append(f"rf {channel}")
        if self.gone:
            raise LinkError("nothing answers", instrument="radio")
        return True

    def temperature_c(self) -> float:
        self.asked.append("temperature")
        return self.temperature


class Bench:
    """Stands for ``Connected``, with two interlocks of the shipped bench."""

    def __init__(self, folder: Path, **changes: Any) -> None:
        bench = pier(folder)
        kept = {name: bench.interlocks[name] for name in ("load", "radio temperature")}
        self.bench = replace(
            bench, interlocks={name: replace(each, **changes) for name, each in kept.items()}
        )
        self.radio = Told()
        self.clock = VirtualClock()
        self.hot: dict[int, RfState | None] = {}
        self.watch = Interlocks(self, self.clock, lambda: self.hot)  # type: ignore[arg-type]

    def asked_in(self, seconds: float) -> list[str]:
        self.radio.asked.clear()
        with self.watch.watching():
            self.clock.sleep(seconds)
        return list(self.radio.asked)


def test_with_rf_off_nothing_is_asked(tmp_path: Path) -> None:
    assert Bench(tmp_path).asked_in(5.0) == []


def test_with_rf_on_everything_is_asked_at_least_every_half_second(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.hot = {1: STATE}
    asked = bench.asked_in(10.0)
    assert min(asked.count("return loss 1"), asked.count("temperature")) >= 10.0 / 0.5


def test_a_port_is_not_asked_below_the_level_at_which_it_can_tell(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.hot = {1: replace(STATE, attenuation_db=31.5, drive_dbfs=-40.0), 2: None}
    assert set(bench.asked_in(1.0)) == {"temperature"}


@pytest.mark.parametrize(("checked", "before", "at_low"), [("before_rf", 1, 0), ("low_power", 0, 2)])
def test_what_is_checked_once_is_not_polled(tmp_path: Path, checked: str, before: int, at_low: int) -> None:
    bench = Bench(tmp_path, checked=checked)
    bench.watch.before_rf()
    assert len(bench.radio.asked) == before
    bench.radio.asked.clear()
    bench.hot = {1: STATE}
    bench.watch.at_low_power()
    assert len(bench.radio.asked) == at_low
    assert set(bench.asked_in(2.0)) == {"rf 1"}  # that it is there, nothing else


def test_a_link_that_is_being_restored_is_left_alone_and_trips_before_long(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.hot = {1: STATE}
    bench.asked_in(1.0)
    bench.radio.busy = bench.radio.restoring = True
    with pytest.raises(SafetyStop, match="has been out of order for 2"):
        bench.asked_in(5.0)
    assert bench.radio.asked == []


def test_a_link_that_is_deaf_for_a_sweep_is_left_alone_for_as_long(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.hot = {1: STATE}
    bench.radio.busy = True
    assert bench.asked_in(30.0) == []


def test_once_tripped_it_stays_so_although_the_reading_is_good_again(tmp_path: Path) -> None:
    """What raised may be swallowed on its way, and a door that was open may be closed."""
    bench = Bench(tmp_path)
    bench.hot = {1: STATE}
    bench.radio.temperature = 80.0
    with pytest.raises(SafetyStop, match="temperature of radio is 80 °C, and must be 65 °C or less"):
        bench.watch.now()
    bench.radio.temperature = 40.0
    for ask in (bench.watch.look, bench.watch.before_rf, bench.watch.at_low_power):
        with pytest.raises(SafetyStop, match="80 °C"):
            ask()


def test_while_the_bench_is_made_safe_nothing_is_asked_and_nothing_raised(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.hot = {1: STATE}
    bench.radio.temperature = 80.0
    with bench.watch.suspended():
        assert bench.asked_in(2.0) == []


def test_a_radio_that_no_interlock_watches_is_asked_all_the_same_while_rf_is_on(tmp_path: Path) -> None:
    bench = Bench(tmp_path, checked="before_rf")
    assert bench.asked_in(5.0) == []
    bench.hot = {1: STATE}
    assert bench.asked_in(10.0).count("rf 1") >= 10.0 / 0.5
    bench.radio.busy = True
    assert bench.asked_in(1.0) == []


def test_a_radio_that_is_gone_ends_a_wait_within_half_a_second(tmp_path: Path) -> None:
    bench = Bench(tmp_path, checked="before_rf")
    bench.hot = {1: STATE}
    bench.asked_in(1.0)
    bench.radio.gone = True
    began = bench.clock.now()
    with pytest.raises(LinkError):
        bench.asked_in(10.0)
    assert bench.clock.now() - began <= 0.5


def test_a_radio_that_is_read_for_an_interlock_is_not_asked_twice(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.hot = {1: STATE}
    assert "rf 1" not in bench.asked_in(2.0)

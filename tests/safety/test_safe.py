"""Whatever fails on the way, everything that can be made safe is made safe."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, cast

import pytest

from hilkit.bench import Connected
from hilkit.clock import Deadline, VirtualClock
from hilkit.errors import LinkError
from hilkit.safety import make_safe
from tests.bench.trial import bench_of
from tests.safety.fakes import FakeBench, FakeGenerator, FakeRadio


def safe(fake: FakeBench, clock: VirtualClock | None = None) -> list[str]:
    return make_safe(cast(Connected, cast(Any, fake)), clock or VirtualClock())


def test_rf_goes_down_first_then_pads_up_then_relays_open(tmp_path: Path) -> None:
    fake = FakeBench(bench_of(tmp_path))
    assert safe(fake) == []
    assert fake.said() == ["rf 1 off", "rf 2 off", "pad 60", "relay open", "trim 1 31.5", "trim 2 31.5"]


def test_generators_go_off_with_the_radios_rf_before_any_relay_moves(tmp_path: Path) -> None:
    """Never hot-switch a relay: common practice, no source."""
    fake = FakeBench(bench_of(tmp_path))
    fake.generators["generator"] = FakeGenerator(fake.log)
    assert safe(fake) == []
    assert fake.said()[:4] == ["rf 1 off", "rf 2 off", "generator off", "pad 60"]


def test_a_generator_that_stays_on_is_told_and_keeps_nothing_else_from_being_tried(tmp_path: Path) -> None:
    fake = FakeBench(bench_of(tmp_path))
    fake.generators["generator"] = generator = FakeGenerator(fake.log)
    generator.stuck = True
    assert safe(fake) == [
        "RF OF generator MAY BE ON, SWITCH generator OFF BY HAND: generator: output: sent off, read back on"
    ]
    assert fake.on_radio() == [False, False]
    assert fake.switches["relay"].now == (101,)


@pytest.mark.parametrize("broken", ["rf", "trim"])
def test_a_part_that_fails_is_told_and_relays_and_pads_move_only_once_rf_is_off(
    tmp_path: Path, broken: str
) -> None:
    fake = FakeBench(bench_of(tmp_path))
    fake.radio.broken.add(broken)
    failed = safe(fake)
    assert len(failed) == 2
    moved = broken == "trim"
    assert (fake.pads["pad"].db == 60.0) is moved
    assert (fake.switches["relay"].now == ()) is moved


def test_a_control_line_that_has_ended_is_opened_again_in_the_same_half_second(tmp_path: Path) -> None:
    fake = FakeBench(bench_of(tmp_path))
    fake.radio = radio = Ended(fake.log)
    assert safe(fake) == []
    assert radio.recovered
    assert fake.on_radio() == [False, False]


class Ended(FakeRadio):
    """A radio whose line has to be opened again before it does anything."""

    recovered = False

    @contextmanager
    def hurried(self, seconds: float) -> Iterator[Deadline]:
        yield VirtualClock().deadline(seconds)

    def recover(self) -> None:
        self.recovered = True

    def set_rf(self, channel: int, on: bool) -> None:
        if not self.recovered:
            raise LinkError("the process has ended", instrument="radio")
        super().set_rf(channel, on)


def test_each_sentence_says_what_failed_and_what_to_do_by_hand(tmp_path: Path) -> None:
    fake = FakeBench(bench_of(tmp_path))
    fake.pads["pad"].stuck = True
    fake.switches["relay"].stuck = True
    assert safe(fake) == [
        "pad IS NOT AT ITS MAXIMUM, SET IT BY HAND BEFORE RF IS ON AGAIN: pad: sent 60 dB, read back 0 dB",
        "RELAYS OF relay ARE NOT OPEN, OPEN THEM BY HAND BEFORE RF IS ON AGAIN: relay: 101 is closed",
    ]
    fake.radio.broken.add("rf")
    by_hand = "MAY BE ON, SWITCH THE SUPPLY OF THE RADIO OFF BY HAND: radio: no answer in time"
    assert safe(fake) == [f"RF OF CHANNEL {channel} {by_hand}" for channel in (1, 2)]


def test_a_fault_of_another_kind_is_told_too(tmp_path: Path) -> None:
    fake = FakeBench(bench_of(tmp_path))
    fake.pads["pad"].range = ()
    assert "BY HAND BEFORE RF IS ON AGAIN: IndexError" in safe(fake)[0]


def test_a_link_that_does_not_come_back_keeps_no_other_one_on(tmp_path: Path) -> None:
    """The wait for it has an end in wall time, since no clock of the bench moves in there."""
    fake, release = FakeBench(bench_of(tmp_path)), threading.Event()
    fake.generators["generator"] = generator = FakeGenerator(fake.log)
    fake.radio.set_rf = lambda channel, on: release.wait()  # type: ignore[method-assign, assignment]
    try:
        failed = safe(fake)
    finally:
        release.set()
    assert not generator.on
    assert [text.partition(": ")[2] for text in failed] == ["radio: it did not come back in time"] * 2

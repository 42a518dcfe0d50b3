"""Whatever fails on the way, everything that can be made safe is made safe."""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

import pytest

from hilkit.bench import Connected
from hilkit.clock import VirtualClock
from hilkit.errors import LinkError
from hilkit.safety import make_safe
from tests.bench.trial import bench_of
from tests.safety.fakes import FakeBench, FakeGenerator


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
        "RF of generator off: generator: output: sent off, read back on; switch generator off by hand"
    ]
    assert fake.switches["relay"].now == ()


@pytest.mark.parametrize("broken", ["rf", "trim"])
def test_a_part_that_fails_does_not_keep_the_rest_from_being_tried(tmp_path: Path, broken: str) -> None:
    fake = FakeBench(bench_of(tmp_path))
    fake.radio.broken.add(broken)
    failed = safe(fake)
    assert len(failed) == 2
    assert fake.pads["pad"].db == 60.0
    assert fake.switches["relay"].now == ()


def test_each_sentence_says_what_failed_and_what_to_do_by_hand(tmp_path: Path) -> None:
    fake = FakeBench(bench_of(tmp_path))
    fake.radio.broken.add("rf")
    fake.pads["pad"].stuck = True
    fake.switches["relay"].stuck = True
    assert safe(fake) == [
        "RF of channel 1 off: radio: no answer in time; switch the radio's supply off",
        "RF of channel 2 off: radio: no answer in time; switch the radio's supply off",
        "pad to its maximum: pad: sent 60 dB, read back 0 dB; set it by hand before RF is on again",
        "relays of relay open: relay: 101 is closed; open them by hand before RF is on again",
    ]


def test_a_fault_of_another_kind_is_told_too(tmp_path: Path) -> None:
    fake = FakeBench(bench_of(tmp_path))
    fake.pads["pad"].range = ()
    assert safe(fake)[0].startswith("pad to its maximum: IndexError")


def test_a_dead_instrument_neither_keeps_a_person_waiting_nor_the_others_from_being_tried(
    tmp_path: Path,
) -> None:
    fake, clock = FakeBench(bench_of(tmp_path)), VirtualClock()

    def slow(channel: int, on: bool) -> None:
        clock.sleep(6.0)
        raise LinkError("no answer in time", instrument="radio")

    fake.radio.set_rf = slow  # type: ignore[method-assign]
    failed = safe(fake, clock)
    assert clock.now() == pytest.approx(12.0)
    assert fake.pads["pad"].db == 60.0
    assert fake.switches["relay"].now == ()
    assert [sentence for sentence in failed if "not tried, since radio did not answer" in sentence] == failed[
        2:
    ]

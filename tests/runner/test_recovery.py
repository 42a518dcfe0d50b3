"""What a fault leaves behind does not spoil the steps after it, and a stop in the middle of it is a stop."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from hilkit.bench import load_bench
from hilkit.clock import VirtualClock
from hilkit.errors import ExitCode
from hilkit.files import Lab
from hilkit.instruments import SwitchMatrix
from hilkit.plans import load_plan
from hilkit.record import Event, Record, StepEnded
from hilkit.runner import run
from hilkit.sim import open_simulated
from hilkit.sim.profile import Fault, load_profile
from tests.runner.trial import Done, go, laid

BROKEN_OFF = "  - look: {id: a, rf: true, trouble: measurement}\n  - look: {id: b}"


@contextmanager
def ctrl_c_while_relays_open(monkeypatch: pytest.MonkeyPatch, call: int) -> Iterator[None]:
    """Press Ctrl-C in the ``call``-th making safe, just before the relays are given time to settle."""
    plain = SwitchMatrix.open_all
    calls: list[int] = []

    def open_all(self: SwitchMatrix) -> None:
        calls.append(1)
        if len(calls) == call:
            signal.raise_signal(signal.SIGINT)
        plain(self)

    with monkeypatch.context() as patch:
        patch.setattr(SwitchMatrix, "open_all", open_all)
        yield


@pytest.mark.parametrize(("call", "when"), [(1, "before the first step"), (2, "after a step broke off")])
def test_ctrl_c_while_the_bench_is_made_safe_ends_the_run_as_interrupted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: int, when: str
) -> None:
    with ctrl_c_while_relays_open(monkeypatch, call):
        done = go(tmp_path, BROKEN_OFF)
    assert done.code is ExitCode.INTERRUPTED, when
    assert done.stored.not_safe == ()
    assert done.stored.steps[1].outcome == "skipped"
    assert done.rf_on == [False, False]


def test_ctrl_c_during_an_answer_that_never_came_ends_the_run_as_interrupted(tmp_path: Path) -> None:
    def press(event: Event) -> None:
        if isinstance(event, StepEnded) and event.planned.step == "a":
            signal.raise_signal(signal.SIGINT)

    done = go(tmp_path, "  - look: {id: a, rf: true, trouble: link}\n  - look: {id: b}", listeners=[press])
    assert done.code is ExitCode.INTERRUPTED
    assert done.stored.not_safe == ()


def test_ctrl_c_while_the_radio_of_an_incomplete_bench_is_quietened_is_not_taken_for_an_unsafe_bench(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from hilkit.instruments import Radio

    plain = Radio.set_rf

    def set_rf(self: Radio, channel: int, on: bool) -> None:
        signal.raise_signal(signal.SIGINT)
        self.console._clock.sleep(0.1)
        plain(self, channel, on)

    monkeypatch.setattr(Radio, "set_rf", set_rf)
    fault = Fault(instrument="analyser", kind="silence", count=1000)
    with laid(tmp_path, "  - look: {}", faults=[fault]) as table:
        out = tmp_path / "run"
        out.mkdir()
        run(
            table.plan,
            table.bench,
            clock=table.clock,
            resource_manager=table.manager,
            folder=out,
            lab=table.lab,
        )
    assert Record.open(out).not_safe == ()


STEPS = """\
plan: a trial
bench: simulated_pier
steps:
  - bring_up: {channel: 1, carrier: 1842.5 MHz, reference: external}
  - power_sweep:
      {id: first, channel: 1, carrier: 1842.5 MHz, offset: 7.5 MHz, from: 5 dB, to: 9 dB, step: 1 dB}
  - power_sweep:
      {id: second, channel: 1, carrier: 1842.5 MHz, offset: 7.5 MHz, from: 5 dB, to: 9 dB, step: 1 dB}
  - tone_placement:
      channel: 1
      carrier: 1842.5 MHz
      offset: 7.5 MHz
      attenuation: 10 dB
      limits: {image: {max: -50 dBc}}
"""


def real(folder: Path, text: str, fault: Fault) -> Done:
    """Run a plan of the procedures that come with hilkit, with one fault."""
    path = folder / "trial.yaml"
    path.write_text(text, encoding="utf-8")
    lab = Lab(None)
    clock = VirtualClock()
    profile = load_profile(lab.find("profile", "simulated_pier"), lab)
    manager, world = open_simulated(profile, clock, seed=1, faults=[fault])
    out = folder / "run"
    out.mkdir()
    try:
        code = run(
            load_plan(path, lab),
            load_bench("simulated_pier", lab),
            clock=clock,
            resource_manager=manager,
            folder=out,
            lab=lab,
            seed=1,
        )
    finally:
        manager.close()
    return Done(code, Record.open(out), world, clock)


def test_an_answer_sent_twice_is_thrown_away_and_told(tmp_path: Path) -> None:
    """An answer too many shifts every later one (IEEE 488.2, clause 6.3: an answer belongs to its query)."""
    done = real(tmp_path, STEPS, Fault(instrument="analyser", kind="duplicate", when=":TRACe", after=5))
    assert done.outcomes == [
        "bring_up done none",
        "first done none",
        "second done none",
        "tone_placement done pass",
    ]
    assert [note for note in done.stored.steps[1].notes if "is asked again" in note]


def test_a_radio_that_restarted_never_makes_a_later_step_fail_its_limits(tmp_path: Path) -> None:
    done = real(tmp_path, STEPS, Fault(instrument="radio", kind="reboot", when="trim 1 6", after=1))
    assert done.outcomes == [
        "bring_up done none",
        "first error error",
        "second skipped none",
        "tone_placement skipped none",
    ]
    assert "the radio restarted (boot counter +1" in done.stored.steps[2].reason
    assert done.code is ExitCode.BENCH


def test_a_plan_that_sets_nothing_up_ends_when_the_radio_restarts(tmp_path: Path) -> None:
    lines = [line for line in STEPS.splitlines(keepends=True) if "bring_up" not in line]
    done = real(tmp_path, "".join(lines), Fault(instrument="radio", kind="reboot", when="trim 1 6", after=1))
    assert done.outcomes == ["first error error", "second skipped none", "tone_placement skipped none"]
    assert "no step that sets it up again" in done.stored.reason

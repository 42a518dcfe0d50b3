"""A person sees what the record holds: on a terminal, in a log, and again from the record."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import pytest

from hilkit.errors import ExitCode
from hilkit.readings import Reading, ReadingKey, Verdict
from hilkit.record import NoteTaken, Outcome, ReadingTaken, RunEnded, StepBegun, StepEnded
from hilkit.reports import (
    Console,
    PlainScreen,
    TerminalScreen,
    screen_for,
    show_run,
    summary_block,
    with_farewell,
)
from hilkit.reports.lines import clock_text, line
from tests.record.samples import PLANNED, begun, night, stored


class Terminal(io.StringIO):
    """A stream that takes itself for a terminal."""

    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


def shown(events: list[object], *, width: int = 100) -> str:
    stream = io.StringIO()
    screen = PlainScreen(stream)
    screen.width = width
    console = Console(screen, caution="caution: conducted test.", folder="runs/x")
    for event in events:
        console.listener(event)  # type: ignore[arg-type]
    return stream.getvalue()


def summary(tmp_path: Path, events: list[object], width: int = 100) -> str:
    run = stored(tmp_path, events)  # type: ignore[arg-type]
    return "\n".join(item.text for item in summary_block(run, width=width))


def test_a_run_begins_with_what_it_is_and_the_caution() -> None:
    lines = shown([begun()]).splitlines()
    assert lines[0] == "SIMULATED RUN: the numbers come from a model, not from a radio (seed 17)"
    assert "caution: conducted test." in lines
    assert lines[-1] == "6 steps in 2 combinations, about 0:01:00 of bench time"


def test_a_real_run_does_not_call_itself_simulated() -> None:
    assert "SIMULATED" not in shown([begun(simulated=False)])


def test_every_step_is_shown_with_its_readings_and_its_verdict_as_a_word() -> None:
    text = shown(list(night()))
    assert "2/6 tone_placement  (channel=1, carrier=1842.5 MHz)" in text
    assert "  image corrected           -41.200 dBc  max -50 dBc   -8.800 dB  fail" in text
    assert "  lo_leakage corrected   <= -62.000 dBc  max -45 dBc  +17.000 dB  pass" in text
    assert "  = fail  after 11.0 s" in text
    assert "  = skipped" in text
    assert "  . waiting for the reference" in text


def test_a_series_is_one_row_with_its_worst_member() -> None:
    text = shown(list(night()))
    assert "step_error [30], worst of 30  0.240 dB  within 0.25 dB  +0.010 dB  pass" in text
    assert text.count("step_error [") == 1


def test_what_did_not_pass_is_repeated_at_the_end_with_its_reason_and_the_last_lines(tmp_path: Path) -> None:
    text = summary(tmp_path, list(night()))
    after = text.split("what did not pass, and why")[1]
    assert "fail  tone_placement (channel=1, carrier=1842.5 MHz)" in after
    assert "image corrected: -41.2 dBc misses max -50 dBc by 8.8 dB" in after
    assert "last lines of analyser:" in after
    assert "22:15 analyser <- #x1B[2J" in after
    assert "inconc  power_sweep (channel=1, carrier=2350 MHz)" in after
    assert "verdict: error  exit code 3: bench or instrument error" in after
    assert text.splitlines()[-1].startswith("SIMULATED RUN")


def test_where_nothing_was_judged_a_warning_says_so(tmp_path: Path) -> None:
    up = list(night()[:7])
    text = summary(tmp_path, [*up, RunEnded(exit_code=ExitCode.PASSED)])
    assert "warning: nothing was judged: no reading of this run has a limit" in text
    assert "exit code 0" in text


def test_a_bench_that_is_not_safe_is_shouted_with_what_to_do_by_hand(tmp_path: Path) -> None:
    told = "RF of channel 1 off: no answer; switch the radio's supply off"
    text = summary(tmp_path, [*night()[:-1], RunEnded(exit_code=ExitCode.NOT_SAFE, not_safe=(told,))])
    assert "THE BENCH IS NOT SAFE. SWITCH OFF BY HAND, NOW:\n  - RF of channel 1 off: no answer" in text
    assert "exit code 7: the bench could not be made safe" in text


def test_a_radio_that_was_cut_after_the_last_step_has_stopped_nothing_early(tmp_path: Path) -> None:
    reason = "the radio did not obey and RF had to be cut: supply output 1 has cut RF of channel 1"
    text = summary(tmp_path, [*night()[:-1], RunEnded(exit_code=ExitCode.BENCH, reason=reason)])
    assert reason[:40] in text
    assert "stopped early" not in text


def test_a_killed_run_is_told_as_one(tmp_path: Path) -> None:
    text = summary(tmp_path, list(night()[:10]))
    assert "stopped early: the run ended without a goodbye" in text
    assert "at work when the run ended: the run ended without a goodbye" in text
    assert "hilkit inspect" not in text
    assert "5 not begun" not in text
    assert "4 not begun" in text


def test_a_killed_run_on_a_real_bench_may_have_left_rf_on(tmp_path: Path) -> None:
    text = " ".join(summary(tmp_path, [begun(simulated=False), *night()[1:10]]).split())
    assert "RF may still be on: hilkit inspect benches/pier.yaml" in text


def fresh(folder: Path) -> Path:
    """Return a new folder in ``folder``, for a second record."""
    (folder / "second").mkdir()
    return folder / "second"


def skipping(count: int, reason: str) -> list[object]:
    steps = [
        StepEnded(planned=step, outcome=Outcome.SKIPPED, verdict=Verdict.NONE, reason=reason)
        for step in PLANNED[:count]
    ]
    return [begun(PLANNED[:count], simulated=False), *steps]


def test_steps_that_a_stop_left_out_are_one_line(tmp_path: Path) -> None:
    end = RunEnded(exit_code=ExitCode.BENCH, reason="the bench is in use")
    events = [*skipping(6, "the run stopped: the bench is in use"), end]
    line = "1/6 to 6/6 skipped: the run stopped: the bench is in use"
    assert shown(events).count("skipped") == 1
    assert line in shown(events).splitlines()
    text = summary(tmp_path, events)
    assert "skipped" not in text.partition("steps: 6 skipped")[0]
    assert len(text.splitlines()) < 10
    stream = io.StringIO()
    show_run(stored(fresh(tmp_path), events), PlainScreen(stream))  # type: ignore[arg-type]
    assert stream.getvalue().splitlines().count(line) == 1


def test_steps_skipped_for_different_reasons_are_told_apart() -> None:
    first, second = skipping(4, "one"), skipping(6, "two")
    text = shown([begun(), *first[1:], *second[5:], RunEnded(exit_code=ExitCode.BENCH)])
    assert "1/6 to 4/6 skipped: one" in text
    assert "5/6 to 6/6 skipped: two" in text


def test_a_run_that_a_person_stopped_is_not_said_to_be_stopped_twice(tmp_path: Path) -> None:
    end = RunEnded(exit_code=ExitCode.INTERRUPTED, reason="stopped by Ctrl-C")
    text = summary(tmp_path, [*night()[:-1], end])
    assert "\nstopped by Ctrl-C\n" in text
    assert "early" not in text


def test_a_stream_without_the_sign_of_a_degree_gets_a_word() -> None:
    stream = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    PlainScreen(stream).show([line("41.3 \u00b0C, 5 \u00b5s")])
    assert stream.buffer.getvalue() == b"41.3 degC, 5 \\xb5s\n"  # type: ignore[attr-defined]


def test_a_note_on_the_whole_run_is_in_its_summary(tmp_path: Path) -> None:
    told = "the bench is in its safe state: RF of channels 1, 2 off, read back"
    events = [*night()[:-1], NoteTaken(step=0, text=told), night()[-1]]
    assert f"note: {told}" in summary(tmp_path, events)


def test_a_pass_says_that_all_limits_were_met_and_which_steps_have_none(tmp_path: Path) -> None:
    limited = replace(PLANNED[0], limits='{"reference_locked": ["min 1"]}')
    free = PLANNED[1]
    key = ReadingKey(step="bring_up", vary=limited.vary, name="reference_locked")
    read = ReadingTaken(
        step=1, reading=Reading(key=key, value=1.0, unit="1"), verdict=Verdict.PASS, limit="min 1", margin=0.0
    )
    ended = StepEnded(planned=limited, outcome=Outcome.DONE, verdict=Verdict.PASS)
    bare = StepEnded(planned=free, outcome=Outcome.DONE, verdict=Verdict.NONE)
    end = RunEnded(exit_code=ExitCode.PASSED)
    text = summary(tmp_path, [begun([limited]), read, ended, end])
    assert "verdict: pass  exit code 0: all limits were met" in text
    assert "warning" not in text
    text = summary(fresh(tmp_path), [begun([limited, free]), read, ended, bare, end])
    assert "warning: 1 step has no limits: tone_placement" in text


def test_a_step_at_work_on_a_full_disk_is_told_in_a_whole_sentence(tmp_path: Path) -> None:
    reason = "the record cannot be written: disk full\n  next: make room"
    run = with_farewell(stored(tmp_path, night()[:10]), RunEnded(exit_code=ExitCode.BENCH, reason=reason))
    lines = [item.text.strip() for item in summary_block(run, width=100)]
    assert "at work when the run ended: the record cannot be written: disk full" in lines


@pytest.mark.parametrize("width", [80, 120])
def test_nothing_is_wider_than_the_screen(tmp_path: Path, width: int) -> None:
    for text in (shown(list(night()), width=width), summary(tmp_path, list(night()), width)):
        assert max(map(len, text.splitlines())) <= width


def test_the_record_shows_the_same_steps_as_the_run_did(tmp_path: Path) -> None:
    live = shown(list(night()))
    stream = io.StringIO()
    screen = PlainScreen(stream)
    show_run(stored(tmp_path, night()), screen)
    again = stream.getvalue()
    steps = [line for line in live.splitlines() if line.startswith("  ") and not line.startswith("  . ")]
    assert steps
    for text in steps:
        assert text in again


def test_a_terminal_gets_colour_and_a_line_on_what_is_at_work(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("COLUMNS", "80")
    stream = Terminal()
    screen = screen_for(stream)
    assert isinstance(screen, TerminalScreen)
    console = Console(screen, caution="", folder="runs/x")
    for event in night():
        console.listener(event)
    text = stream.getvalue()
    assert "\x1b[1;31mfail" in text
    assert "2/6, 40.0 s left: tone_placement 1, 1842.5 MHz" in text


def test_no_color_leaves_the_words(monkeypatch: pytest.MonkeyPatch) -> None:
    """Source: no-color.org: NO_COLOR present and not empty means no colour."""
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm-256color")
    stream = Terminal()
    screen = screen_for(stream)
    console = Console(screen, caution="", folder="runs/x")
    for event in night():
        console.listener(event)
    assert "\x1b[1;31m" not in stream.getvalue()
    assert "\x1b[32m" not in stream.getvalue()
    assert "fail" in stream.getvalue()


def test_a_log_a_dumb_terminal_and_plain_get_plain_lines(monkeypatch: pytest.MonkeyPatch) -> None:
    assert isinstance(screen_for(io.StringIO()), PlainScreen)
    assert isinstance(screen_for(Terminal(), plain=True), PlainScreen)
    monkeypatch.setenv("TERM", "dumb")
    assert isinstance(screen_for(Terminal()), PlainScreen)


def test_a_console_with_a_small_character_set_gets_words_or_escapes_instead_of_an_error() -> None:
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="ascii")
    PlainScreen(stream).note("23 °C")
    assert raw.getvalue() == b"  . 23 degC\n"


def test_the_time_left_follows_from_what_the_steps_so_far_took() -> None:
    told: list[str] = []

    class Kept(PlainScreen):
        def progress(self, done: int, count: int, text: str, left: str) -> None:
            told.append(left)

    console = Console(Kept(io.StringIO()), caution="", folder="")
    first, second = PLANNED[:2]
    console.listener(begun())
    console.listener(StepBegun(planned=first))
    console.listener(
        StepEnded(planned=first, outcome=Outcome.DONE, verdict=Verdict.PASS, took_s=first.expected_s / 4)
    )
    console.listener(StepBegun(planned=second))
    rest_s = sum(step.expected_s for step in PLANNED[1:])
    assert told == [clock_text(first.expected_s + rest_s), clock_text(rest_s / 4)]

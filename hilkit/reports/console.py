"""Shows a run while it is at work, on a terminal or as plain lines in a log."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterable
from itertools import groupby
from typing import Any, Protocol, TextIO

from hilkit.record import (
    Event,
    NoteTaken,
    Outcome,
    PlannedStep,
    ReadingJudged,
    ReadingTaken,
    RunBegun,
    RunEnded,
    StepBegun,
    StepEnded,
    StoredReading,
    StoredRun,
    StoredStep,
)
from hilkit.reports.blocks import begun_block, skipped_block, step_block, step_heading, summary_block
from hilkit.reports.lines import STYLES, Line, clock_text, visible, wrapped
from hilkit.reports.rows import judged_again, reading_of

__all__ = ["Console", "PlainScreen", "Screen", "TerminalScreen", "screen_for", "show_run"]

_PLAIN_WIDTH = 100


class Screen(Protocol):
    """Something that shows lines, and says what is at work."""

    width: int
    headings_first: bool
    """Whether a step's heading is shown when it begins; else it comes with what came of it."""

    def show(self, lines: Iterable[Line]) -> None:
        """Show finished lines."""

    def progress(self, done: int, count: int, text: str, left: str) -> None:
        """Say what is at work: ``done`` of ``count`` steps are over."""

    def note(self, text: str) -> None:
        """Say what goes on inside the step at work."""

    def close(self) -> None:
        """Take the progress away."""


def screen_for(stream: TextIO, *, plain: bool = False) -> Screen:
    """Return a terminal screen where ``stream`` can do more than print lines, else a plain one."""
    if plain or not stream.isatty() or os.environ.get("TERM") == "dumb":
        return PlainScreen(stream)
    return TerminalScreen(stream)


class PlainScreen:
    """Prints lines as they are; notes are indented lines of their own under the heading of their step."""

    headings_first = True

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self.width = shutil.get_terminal_size((_PLAIN_WIDTH, 24)).columns if stream.isatty() else _PLAIN_WIDTH

    def show(self, lines: Iterable[Line]) -> None:
        """Print lines at once: a log is followed while the run is at work."""
        encoding = getattr(self._stream, "encoding", None) or "utf-8"
        for item in lines:
            self._stream.write(_in(encoding, item.text) + "\n")
        self._stream.flush()

    def progress(self, done: int, count: int, text: str, left: str) -> None:
        """Print nothing: a step speaks when it is over."""

    def note(self, text: str) -> None:
        """Print the note."""
        self.show(wrapped(text, width=self.width, indent="  . ", hanging="    "))

    def close(self) -> None:
        """Do nothing."""


def _in(encoding: str, text: str) -> str:
    """Return ``text`` as a stream of this encoding can show it."""
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        plain = text.replace("\u00b0", "deg")
        return plain.encode(encoding, "backslashreplace").decode(encoding)
    return text


class TerminalScreen:
    """Shows lines with colour, and below them what is at work. ``NO_COLOR`` leaves the words."""

    headings_first = False

    def __init__(self, stream: TextIO) -> None:
        from rich.console import Console as RichConsole

        self._console = RichConsole(file=stream, highlight=False, soft_wrap=True)
        self.width = self._console.width
        self._live: Any = None
        self._at_work = ("", "")

    def show(self, lines: Iterable[Line]) -> None:
        """Show lines above the progress."""
        from rich.text import Text

        rows = [
            Text.assemble(*((text, STYLES.get(style, "")) for text, style in item.pieces)) for item in lines
        ]
        self._console.print(Text("\n").join(rows))

    def progress(self, done: int, count: int, text: str, left: str) -> None:
        """Show a bar with the step at work and the bench time left."""
        size = 16
        bar = "#" * round(size * done / max(count, 1))
        self._at_work = (f"[{bar.ljust(size, '.')}] {done + 1}/{count}, {left} left: {text}", "")
        self._draw(at_once=True)

    def note(self, text: str) -> None:
        """Show the note under the step at work."""
        self._at_work = (self._at_work[0], visible(text))
        self._draw()

    def close(self) -> None:
        """Take the progress away."""
        if self._live is not None:
            self._live.stop()
            self._live = None

    def _draw(self, *, at_once: bool = False) -> None:
        from rich.live import Live
        from rich.text import Text

        room = max(self.width - 1, 20)
        rows = [row[:room] for row in (self._at_work[0], f"  {self._at_work[1]}") if row.strip()]
        if self._live is None:
            self._live = Live(console=self._console, refresh_per_second=8, transient=True)
            self._live.start()
        self._live.update(Text("\n".join(rows), style=STYLES["quiet"]), refresh=at_once)


class Console:
    """Listener that tells a person what happens. It keeps only what the step at work needs.

    ``farewell`` is the last event of the run, which a record on a full disk may lack.
    """

    def __init__(self, screen: Screen, *, caution: str, folder: str) -> None:
        self._screen = screen
        self._caution = caution
        self._folder = folder
        self._steps: dict[int, PlannedStep] = {}
        self._over: set[int] = set()
        self._readings: list[StoredReading] = []
        self._headed = False
        self._skipped: list[StoredStep] = []
        self._taken_s = 0.0
        self._expected_s = 0.0
        self.farewell: RunEnded | None = None

    def listener(self, event: Event) -> None:
        """Show one event."""
        if not isinstance(event, (StepEnded, NoteTaken)):
            self._flush()
        if isinstance(event, RunBegun):
            self._steps = {step.number: step for step in event.steps}
            self._over = {number for earlier in event.resumed[-1:] for number in earlier.carried}
            self._screen.show(
                begun_block(event, caution=self._caution, folder=self._folder, width=self._screen.width)
            )
        elif isinstance(event, StepBegun):
            self._readings = []
            if self._screen.headings_first:
                self._heading(event.planned)
            self._progress(event.planned)
        elif isinstance(event, NoteTaken):
            self._screen.note(event.text)
        elif isinstance(event, ReadingTaken):
            self._readings.append(reading_of(event))
        elif isinstance(event, ReadingJudged):
            self._readings = [
                judged_again(item, event) if item.key == event.key else item for item in self._readings
            ]
        elif isinstance(event, StepEnded):
            self._ended(event)
        elif isinstance(event, RunEnded):
            self.farewell = event
            self._screen.close()

    def _heading(self, planned: PlannedStep) -> None:
        self._headed = True
        self._screen.show(step_heading(planned, len(self._steps), width=self._screen.width))

    def _progress(self, planned: PlannedStep) -> None:
        left_s = sum(step.expected_s for number, step in self._steps.items() if number not in self._over)
        if self._expected_s > 0:  # what was taken so far says how far the expectation was off
            left_s *= self._taken_s / self._expected_s
        values = ", ".join(text for _, text in planned.vary)
        text = f"{planned.step} {values}".rstrip()
        self._screen.progress(len(self._over), len(self._steps), text, clock_text(left_s))

    def _ended(self, event: StepEnded) -> None:
        self._over.add(event.planned.number)
        if event.outcome is Outcome.DONE and event.took_s > 0:
            self._taken_s += event.took_s
            self._expected_s += event.planned.expected_s
        if event.outcome is Outcome.SKIPPED and not self._headed:
            step = self._step(event)
            if self._skipped and self._skipped[-1].reason != step.reason:
                self._flush()
            self._skipped.append(step)
            return
        self._flush()
        if not self._headed:
            self._heading(event.planned)
        self._headed = False
        self._screen.show(step_block(self._step(event), width=self._screen.width))
        self._readings = []

    def _flush(self) -> None:
        """Show the steps that were skipped: in one line, for they share a reason."""
        skipped, self._skipped = self._skipped, []
        self._screen.show(_skipped_lines(skipped, len(self._steps), self._screen.width))

    def _step(self, event: StepEnded) -> StoredStep:
        planned = event.planned
        return StoredStep(
            number=planned.number,
            combination=planned.combination,
            vary=planned.vary,
            step=planned.step,
            procedure=planned.procedure,
            settings=json.loads(planned.settings),
            limits=json.loads(planned.limits),
            expected_s=planned.expected_s,
            outcome=event.outcome,
            verdict=event.verdict,
            reason=event.reason,
            instrument=event.instrument,
            transcript=event.transcript,
            took_s=event.took_s,
            readings=tuple(self._readings),
            facts=(),
            notes=(),
            rule=planned.rule,
        )


def show_run(run: StoredRun, screen: Screen) -> None:
    """Show a whole run from its record: its steps, then the summary."""
    screen.show(begun_block(run, caution="", folder=str(run.folder), width=screen.width))
    for (skipped, _), group in groupby(run.steps, key=lambda step: (_is_skipped(step), step.reason)):
        if skipped:
            screen.show(_skipped_lines(list(group), len(run.steps), screen.width))
            continue
        for step in group:
            screen.show(step_heading(step, len(run.steps), width=screen.width))
            screen.show(step_block(step, width=screen.width))
    screen.show(summary_block(run, width=screen.width))


def _is_skipped(step: StoredStep) -> bool:
    return step.outcome is Outcome.SKIPPED


def _skipped_lines(steps: list[StoredStep], count: int, width: int) -> list[Line]:
    """Return one step as any other, several as one line."""
    if len(steps) > 1:
        return skipped_block(steps, count, width=width)
    return [
        item
        for step in steps
        for item in (*step_heading(step, count, width=width), *step_block(step, width=width))
    ]

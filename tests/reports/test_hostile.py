"""Whatever an instrument answers is shown as text: it moves no cursor, colours nothing, breaks no file."""

from __future__ import annotations

import io
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from hilkit.errors import ExitCode
from hilkit.readings import Verdict
from hilkit.record import FactNoted, NoteTaken, RunEnded, StepBegun, StepEnded
from hilkit.record.events import Outcome
from hilkit.reports import Console, write_junit
from hilkit.reports.blocks import summary_block
from hilkit.reports.console import PlainScreen, TerminalScreen
from tests.record.samples import PLANNED, begun, stored

IDENTITIES = {
    "ANSI colour": "Bench Lab,\x1b[31mSA7000\x1b[0m,1,2",
    "cursor": "Bench Lab,SA\x1b[2J\x1b[H7000,1,2",
    "title of the window": "Bench Lab,\x1b]0;pwned\x07SA,1,2",
    "C1 control": "Bench Lab,\x9b31mSA,1,2",
    "markup of the console": "[bold red]Bench Lab[/bold red],[link=http://x]SA[/link],[/],2",
    "XML": "<failure/>]]>&amp;<!-- \"'Bench,SA,1,2",
    "control characters": "Bench\x00\x08\x0b\x0c\x7f,SA,1,2",
    "half a surrogate": "Bench\ud800,SA,1,2",
    "not a character": "Bench\ufffe\uffff,SA,1,2",
    "right to left": "Bench \u202eLab,SA,1,2",
    "lines": "Bench\r\nverdict: pass,SA,1,2",
}
CONTROL = {*map(chr, range(0x20)), *map(chr, range(0x7F, 0xA0)), "\u202e"} - {"\n"}


@pytest.fixture(params=IDENTITIES)
def identity(request: pytest.FixtureRequest) -> str:
    return IDENTITIES[request.param]


def events(identity: str) -> list[object]:
    ended = StepEnded(
        planned=PLANNED[0],
        outcome=Outcome.ERROR,
        verdict=Verdict.ERROR,
        reason=f"analyser: {identity} answers",
        instrument="analyser",
        transcript=(f"analyser <- {identity}",),
    )
    return [
        begun(),
        FactNoted(step=0, name="analyser", text=identity),
        StepBegun(planned=PLANNED[0]),
        FactNoted(step=1, name="analyser", text=identity),
        NoteTaken(step=1, text=identity),
        ended,
        RunEnded(exit_code=ExitCode.BENCH, reason=identity, not_safe=(identity,)),
    ]


def test_junit_stays_well_formed_and_says_what_came(tmp_path: Path, identity: str) -> None:
    path = write_junit(stored(tmp_path, events(identity)))
    root = ET.parse(path).getroot()
    assert [case.tag for case in root.iter("failure")] == []
    fact = next(each for each in root.iter("property") if each.get("name") == "fact.analyser")
    assert not CONTROL & set(fact.get("value", ""))
    for word in ("Bench", "SA"):
        assert (word in fact.get("value", "")) == (word in identity)


def test_a_plain_console_gets_no_control_character(tmp_path: Path, identity: str) -> None:
    stream = io.StringIO()
    screen = PlainScreen(stream)
    console = Console(screen, caution="", folder="f")
    for event in events(identity):
        console.listener(event)
    screen.show(summary_block(stored(tmp_path, events(identity)), width=80))
    assert not CONTROL & set(stream.getvalue())


def test_a_terminal_shows_markup_as_it_came_and_no_escape_of_the_instrument(
    tmp_path: Path, identity: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("COLUMNS", "400")
    monkeypatch.setenv("NO_COLOR", "1")
    stream = io.StringIO()
    stream.isatty = lambda: True
    screen = TerminalScreen(stream)
    run = stored(tmp_path, events(identity))
    screen.show(summary_block(run, width=screen.width))
    shown = stream.getvalue()
    assert "\x1b]0;" not in shown and "\x1b[2J" not in shown and "\x9b" not in shown
    if identity.startswith("[bold"):
        assert identity in shown

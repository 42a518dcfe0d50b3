"""The transcript file."""

import datetime as dt
from pathlib import Path

from hilkit.clock import VirtualClock
from hilkit.instruments import FileTranscript, NullTranscript
from hilkit.instruments.transcript import visible


def test_each_line_stands_in_the_file_at_once_with_the_time_of_the_clock(tmp_path: Path) -> None:
    clock = VirtualClock(dt.datetime(2026, 1, 31, 22, 15, 3, tzinfo=dt.UTC))
    with FileTranscript(tmp_path / "transcript.txt", clock) as transcript:
        transcript.line("analyser", "->", ":INIT")
        clock.sleep(0.125)
        transcript.line("radio", "<-", "ok\r")
        text = (tmp_path / "transcript.txt").read_text(encoding="utf-8")
    assert text == "2026-01-31T22:15:03.000Z analyser -> :INIT\n2026-01-31T22:15:03.125Z radio <- ok\\r\n"


def test_the_last_lines_of_one_instrument_can_be_had_even_after_the_file_is_closed(tmp_path: Path) -> None:
    transcript = FileTranscript(tmp_path / "t.txt", VirtualClock())
    for number in range(60):
        transcript.line("pad", "->", f"line {number}")
    transcript.close()
    transcript.line("pad", "--", "late")
    assert [line.split(" ", 3)[-1] for line in transcript.last("pad", 2)] == ["line 59", "late"]
    assert len(transcript.last("pad", 1000)) == 50
    assert transcript.last("pad", 0) == transcript.last("nobody", 5) == []


def test_control_characters_are_made_visible_and_long_texts_are_cut() -> None:
    assert visible("a\tb\x00\n") == r"a\tb\x00\n"
    assert visible("x" * 100) == "x" * 79 + "…"


def test_the_null_transcript_keeps_nothing() -> None:
    NullTranscript().line("analyser", "->", "*RST")

"""Interlocks as a bench file states them: what they mean, and every mistake at its place."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilkit.bench import Bench
from hilkit.errors import FileProblems
from tests.bench.pier import pier


def with_interlock(folder: Path, entry: str) -> Bench:
    return pier(folder, ("interlocks:\n", f"interlocks:\n  mine: {entry}\n"))


@pytest.mark.parametrize(
    ("entry", "mark", "says"),
    [
        ("{instrument: radoi, read: temperature, max: 70 °C}", "radoi", "did you mean radio?"),
        ("{instrument: radio, read: temperature, max: 70 dB}", "70 dB", "a temperature is needed here"),
        ("{instrument: radio, read: temperature, max: 70}", "70", "a unit is missing"),
        ("{instrument: radio, read: temperature, is: 70}", "is", "give its window by min: and max:"),
        ("{instrument: radio, read: temperature, min: 70 °C, max: 20 °C}", "20 °C", "nothing lies between"),
        ("{instrument: radio, read: current, max: 3 A}", "current", "current cannot be read of a radio"),
        ("{instrument: radio, read: reference}", "mine", "add is: locked"),
        ("{instrument: radio, read: reference, is: seeking}", "seeking", "allowed: locked"),
        ("{instrument: radio, read: reference, max: 3 A}", "max", "reference is a word"),
        ("{instrument: radio, read: reference, is: locked, channel: 1}", "channel", "belongs to a channel"),
        ("{instrument: radio, read: return_loss, min: 10 dB, channel: 7}", "7", "allowed: 1, 2"),
        (
            "{instrument: radio, read: return_loss, min: 10 dB, checked: before_rf}",
            "before_rf",
            "only while RF",
        ),
        ("{instrument: radio, read: temperature, max: 9 °C, above: 0 dBm}", "above", "with RF off too"),
        ("{instrument: supply, read: current, max: 3 A, output: 0}", "0", "1 or more"),
        ("{instrument: relay, read: temperature, max: 70 °C}", "temperature", "a query under `ask`"),
        ("{instrument: relay, max: 3}", "mine", "either `read` or `ask`"),
        ('{instrument: relay, read: current, ask: "*IDN?", is: 1}', "ask", "either `read` or `ask`"),
        ('{instrument: relay, ask: ":ROUTe:OPEN:ALL", is: 1}', '":ROUTe', "one SCPI query"),
        ('{instrument: relay, ask: ":OUTP ON;:OUTP?", is: 1}', '":OUTP', "one SCPI query"),
        ('{instrument: relay, ask: ":OUTP? 1;:OUTP 0", is: 1}', '":OUTP', "one SCPI query"),
        ('{instrument: relay, ask: ":OUTP?\\n*RST", is: 1}', '":OUTP', "one SCPI query"),
        ('{instrument: relay, ask: "*TST?", is: 0}', '"*TST', "this query starts something"),
        ('{instrument: analyser, ask: ":READ?", is: 0}', '":READ', "this query starts something"),
        ('{instrument: radio, ask: "warmth?", max: 70}', '"warmth', "not SCPI"),
        ('{instrument: relay, ask: ":DIG?", max: 3 V}', "3 V", "a number without a unit"),
    ],
)
def test_a_mistake_is_told_at_its_place(tmp_path: Path, entry: str, mark: str, says: str) -> None:
    with pytest.raises(FileProblems) as found:
        with_interlock(tmp_path, entry)
    (problem,) = found.value.problems
    assert problem.line_text[problem.column - 1 :].startswith(mark), problem.render()
    assert says in problem.render()


def test_what_may_move_hot_is_an_instrument_that_moves(tmp_path: Path) -> None:
    with pytest.raises(FileProblems, match="'analyser' is nothing that moves under RF") as found:
        pier(tmp_path, ("interlocks:\n", "hot_switching: [pad, radio, analyser]\ninterlocks:\n"))
    assert len(found.value.problems) == 1


@pytest.mark.parametrize(
    ("entry", "allowed", "holds", "does_not"),
    [
        (
            "{instrument: radio, read: return_loss, min: 10 dB}",
            "10 dB or more",
            (10.0, 30.0),
            (9.99, "locked"),
        ),
        (
            "{instrument: supply, read: current, min: 0.5 A, max: 2.5 A}",
            "0.5 A to 2.5 A",
            (0.5, 2.5),
            (2.6, 0.4),
        ),
        ("{instrument: radio, read: reference, is: locked}", "locked", ("locked",), ("seeking", "absent")),
        ('{instrument: relay, ask: ":DIG?", is: 1}', "1", (1.0, "1"), (0.0, "closed")),
        ('{instrument: relay, ask: ":DIG?", is: CLOSED}', "CLOSED", ("closed",), ("OPEN", 1.0)),
    ],
)
def test_an_interlock_says_what_it_allows(
    tmp_path: Path,
    entry: str,
    allowed: str,
    holds: tuple[float | str, ...],
    does_not: tuple[float | str, ...],
) -> None:
    interlock = with_interlock(tmp_path, entry).interlocks["mine"]
    assert interlock.allowed == allowed
    assert [interlock.allows(value) for value in (*holds, *does_not)] == [True] * len(holds) + [False] * len(
        does_not
    )

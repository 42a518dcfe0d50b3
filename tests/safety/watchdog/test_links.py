"""Fresh links: the one-shot command of a radio behind a program, and what stands for what is not reached."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest

from hilkit.bench import Bench
from hilkit.clock import WallClock
from hilkit.errors import LinkError
from hilkit.safety import make_safe
from hilkit.safety.watchdog.links import Links, Unreached
from tests.bench.trial import bench_of


def behind_a_program(folder: Path, safe_command: tuple[str, ...]) -> Bench:
    bench = bench_of(folder)
    spec = bench.radio_spec
    dialect = replace(spec.dialect, safe_command=safe_command)
    radio = replace(spec, resource="", command=("radio_shell",), dialect=dialect)
    return replace(bench, instruments={}, radio_spec=radio)


def test_the_one_shot_command_of_a_radio_behind_a_program_is_run(tmp_path: Path) -> None:
    mark = tmp_path / "muted"
    command = (sys.executable, "-c", f"import pathlib; pathlib.Path({str(mark)!r}).touch()")
    links = Links(behind_a_program(tmp_path, command), None)
    links.wait(20.0)
    assert mark.exists() and links.missing == {} and "radio" in links.muted
    assert make_safe(links.connected(), WallClock()) == []
    links.close()


def test_a_one_shot_command_that_fails_leaves_the_radio_unreached_and_says_why(tmp_path: Path) -> None:
    links = Links(
        behind_a_program(tmp_path, (sys.executable, "-c", "raise SystemExit('no such port')")), None
    )
    links.wait(1.0)
    links.close()
    assert "ended with code 1 no such port" in links.missing["radio"]
    told = "\n".join(make_safe(links.connected(), WallClock()))
    assert "RF OF CHANNEL 1" in told and "no such port" in told


def test_whatever_is_done_with_an_instrument_that_is_not_there_says_so() -> None:
    pad = Unreached("pad", "the connection was refused")
    for use in (lambda: pad.set(63.0), lambda: pad.range[1], lambda: list(pad.errors)):
        with pytest.raises(LinkError, match="pad: it cannot be reached: the connection was refused"):
            use()
    pad.close()

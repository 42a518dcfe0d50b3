"""Calls the program as a person does, without a new process."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from hilkit.cli import main


@dataclass
class Call:
    """What a call left behind."""

    code: int
    out: str
    err: str

    @property
    def text(self) -> str:
        return self.out + self.err


def call(capsys: pytest.CaptureFixture[str], *args: str | Path) -> Call:
    with pytest.raises(SystemExit) as left:
        main([str(arg) for arg in args])
    out, err = capsys.readouterr()
    return Call(int(left.value.code or 0), out, err)


SMALL_PLAN = """\
plan: small check
bench: simulated_pier
vary: {channel: [1]}
steps:
  - bring_up:
      channel: $channel
      carrier: 1842.5 MHz
      reference: external
      limits: {reference_locked: {min: 1}}
"""


def lab_with(folder: Path, plan: str = SMALL_PLAN, name: str = "small") -> Path:
    """Make a lab folder with one plan in it and return the plan's path."""
    path = folder / "sequences" / f"{name}.yaml"
    path.parent.mkdir(exist_ok=True)
    path.write_text(plan, encoding="utf-8")
    return path

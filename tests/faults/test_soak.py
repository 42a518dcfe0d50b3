"""A run that goes on for long takes no more memory and no more file handles."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilkit.errors import ExitCode
from tests.faults.soak import soak

FLAT = 0.05


def _check(folder: Path, steps: int) -> None:
    found = soak(folder, steps)
    print(found)
    assert found.code is ExitCode.PASSED
    assert found.grown < FLAT, str(found)
    assert len(set(found.handles)) <= 1, str(found)


def test_memory_and_handles_stay_flat_over_some_steps(tmp_path: Path) -> None:
    _check(tmp_path, 100)


@pytest.mark.long
def test_memory_and_handles_stay_flat_over_ten_thousand_steps(tmp_path: Path) -> None:
    _check(tmp_path, 10_000)

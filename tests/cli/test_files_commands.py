"""``hilkit check``, ``schema`` and ``manual``: what can be said without a bench."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

from hilkit.cli.manual_command import chapters
from hilkit.cli.schema_command import KINDS
from tests.cli.calls import SMALL_PLAN, call, lab_with

PROBLEM_FILES = {
    "empty.yaml": b"",
    "binary.yaml": bytes(range(256)),
    "tabs.yaml": b"plan: x\nsteps:\n\t- bring_up: {}\n",
    "list.yaml": b"- 1\n- 2\n",
    "stranger.yaml": b"title: something else\n",
}


@pytest.mark.parametrize("name", PROBLEM_FILES)
def test_a_file_that_is_none_of_ours_is_exit_2_with_its_place(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    path = tmp_path / name
    path.write_bytes(PROBLEM_FILES[name])
    done = call(capsys, "check", path)
    assert done.code == 2
    assert f"{path}:" in done.err
    assert "Traceback" not in done.err


def test_a_good_plan_is_told_with_the_bench_it_fits(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = lab_with(tmp_path)
    done = call(capsys, "check", path)
    assert done.code == 0
    assert done.out == f"{path}: plan in order: 1 step in 1 combination; it fits the bench simulated pier\n"


def test_every_file_is_checked_and_every_mistake_shown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = lab_with(tmp_path, SMALL_PLAN.replace("MHz", "mhz").replace("min: 1", "mn: 1"), "bad")
    good = lab_with(tmp_path)
    done = call(capsys, "check", bad, good)
    assert done.code == 2
    assert "2 mistakes found" in done.err
    assert f"{good}: plan in order" in done.out


def test_a_carrier_outside_the_radio_is_found_without_an_instrument(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = lab_with(tmp_path, SMALL_PLAN.replace("1842.5 MHz", "900 MHz"))
    done = call(capsys, "check", path)
    assert done.code == 2
    assert f"{path}:7:" in done.err
    assert "1.805 GHz to 1.88 GHz" in done.err


@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("sim_profiles/simulated_pier.bench.yaml", "bench in order: 4 instruments, 2 paths"),
        ("sim_profiles/simulated_pier.yaml", "profile in order"),
        ("drivers/radio_head.yaml", "driver in order, for a radio"),
        ("drivers/signal_analyser_contrary.yaml", "driver in order, for a signal analyser"),
    ],
)
def test_what_comes_with_hilkit_is_in_order(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, name: str, word: str
) -> None:
    monkeypatch.chdir(tmp_path)
    done = call(capsys, "check", name)
    assert (done.code, word in done.out) == (0, True), done.text


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_file_has_a_schema(capsys: pytest.CaptureFixture[str], kind: str) -> None:
    """Checked against the meta-schema of JSON Schema, draft 2020-12, by the jsonschema package."""
    done = call(capsys, "schema", kind)
    assert done.code == 0
    jsonschema.Draft202012Validator.check_schema(json.loads(done.out))


def test_the_manual_lists_its_chapters_and_shows_each(capsys: pytest.CaptureFixture[str]) -> None:
    listed = call(capsys, "manual").out
    for name, text in chapters().items():
        assert f"  {name} " in listed
        assert call(capsys, "manual", name).out == text.rstrip() + "\n"


def test_an_unknown_chapter_is_exit_2(capsys: pytest.CaptureFixture[str]) -> None:
    done = call(capsys, "manual", "no such chapter")
    assert done.code == 2
    assert "the manual has no chapter 'no such chapter'" in done.err

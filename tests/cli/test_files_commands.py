"""``hilkit check``, ``schema`` and ``manual``: what can be said without a bench."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import jsonschema
import pytest

from hilkit.cli.manual_command import chapters
from hilkit.cli.schema_command import KINDS
from hilkit.files import library
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
    first = f"{path}: plan in order: 1 step in 1 combination; it fits the bench simulated pier"
    assert done.out.splitlines()[0] == first


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
        ("sim_profiles/simulated_pier.bench.yaml", "bench in order: 5 instruments, 2 paths"),
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


def test_a_name_alone_is_looked_for_among_all_kinds_of_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = call(capsys, "check", "signal_analyser", "simulated_pier")
    assert done.code == 0
    assert done.out.splitlines() == [
        "signal_analyser: driver in order, for a signal analyser",
        "simulated_pier: bench in order: 5 instruments, 2 paths",
        "simulated_pier: profile in order",
    ]
    assert "did you mean radio_head?" in call(capsys, "check", "radio_hed").err


def test_a_bench_that_a_plan_names_and_that_is_not_there_is_told_at_its_place(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = lab_with(tmp_path, SMALL_PLAN.replace("bench: simulated_pier", "bench: cran"))
    for command in ("check", "run"):
        done = call(capsys, command, path)
        assert done.code == 2
        assert f"{path}:2:8: there is no bench named 'cran'" in done.err


def test_a_bench_that_speaks_of_what_its_simulation_does_not_have_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (library() / "sim_profiles" / "simulated_pier.bench.yaml").read_text(encoding="utf-8")
    changes = (
        ("close: [101]", "close: [109]"),
        ("{1: tx1", "{7: tx1"),
        ("::5025::", "::5199::"),
        ("channels: [1, 2], instrument: supply", "channels: [7, 2], instrument: supply"),
    )
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path = tmp_path / "benches" / "mine.yaml"
    path.parent.mkdir()
    path.write_text(text, encoding="utf-8")
    shutil.copy(library() / "sim_profiles" / "measured_line.s2p", path.parent)
    done = call(capsys, "check", path)
    assert done.code == 2
    for part in (
        "has no channel 109",
        "has no channel 7",
        "nothing stands at this address in the simulation",
    ):
        assert part in done.err
    assert "3 mistakes found" in done.err


def test_a_file_that_is_no_yaml_by_its_name_is_not_read_as_such(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    done = call(capsys, "check", library() / "sim_profiles" / "measured_line.s2p")
    assert done.code == 2
    assert "this is none of the files that are checked" in done.err

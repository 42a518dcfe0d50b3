"""Every example of the manual is true: files are read by the real loaders, commands print what is shown."""

from __future__ import annotations

import importlib
import shlex
import shutil
from pathlib import Path
from typing import Any

import click
import pytest
import yaml

from hilkit.bench import load_bench
from hilkit.bench.calibration import calibration_text
from hilkit.cli.door import COMMANDS
from hilkit.errors import FileProblems
from hilkit.files import Lab, library, loads
from hilkit.instruments import load_dialect
from hilkit.plans import check_fit, load_plan
from hilkit.sim.profile import load_profile
from tests.bench.calibrating import bench_text, content
from tests.manual.chapters import LANGUAGES, Fence, example_id, fences, fences_of
from tests.manual.lab import FAULTY, make_lab
from tests.manual.shell import agrees, commands, run

YAML_KINDS = ("plan", "bench", "driver", "profile", "steps", "paths", "keys", "faults", "wrong")

PLAN_OF_STEPS = "plan: an excerpt\nbench: simulated_pier\n"
VARIED = {"channel": "[1]", "carrier": "[1842.5 MHz]"}
BENCH_OF_PATHS = """\
bench: an excerpt
instruments:
  analyser: {driver: signal_analyser, resource: "TCPIP0::192.168.1.20::5025::SOCKET"}
  pad: {driver: step_attenuator, resource: "TCPIP0::192.168.1.21::5025::SOCKET"}
  relay: {driver: switch_matrix, resource: "TCPIP0::192.168.1.22::5025::SOCKET"}
radio:
  driver: radio_head
  resource: ASRL3::INSTR
  channels: {1: tx1}
  max_level: 24 dBm
  frequency: [{from: 1805 MHz, to: 1880 MHz}]
  bandwidth: 60 MHz
"""


@pytest.fixture
def lab(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(make_lab(tmp_path))
    return tmp_path


def test_every_fence_says_what_it_is() -> None:
    for fence in fences():
        assert fence.language in LANGUAGES, example_id(fence)
        if fence.language == "yaml":
            assert fence.kind in YAML_KINDS, example_id(fence)


def test_no_two_examples_have_one_file_name() -> None:
    files = [fence.file for fence in fences() if fence.file]
    assert len(files) == len(set(files))


def _written(folder: Path, fence: Fence, before: str = "", place: str = "excerpt.yaml") -> Path:
    path = folder / (fence.file or place)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(before + fence.text, encoding="utf-8")
    return path


@pytest.mark.parametrize("fence", fences_of("yaml", "plan", "steps"), ids=example_id)
def test_a_plan_is_without_mistakes_and_fits_its_bench(fence: Fence, lab: Path) -> None:
    used = [f"{name}: {values}" for name, values in VARIED.items() if f"${name}" in fence.text]
    before = f"{PLAN_OF_STEPS}vary: {{{', '.join(used)}}}\n" if fence.kind == "steps" else ""
    found = Lab(lab)
    plan = load_plan(_written(lab, fence, before, "sequences/excerpt.yaml"), found)
    bench = load_bench(plan.bench or "simulated_pier", found)
    assert [problem.render() for problem in check_fit(plan, bench)] == []


@pytest.mark.parametrize("fence", fences_of("yaml", "bench", "paths"), ids=example_id)
def test_a_bench_is_without_mistakes(fence: Fence, lab: Path) -> None:
    before = BENCH_OF_PATHS if fence.kind == "paths" else ""
    load_bench(_written(lab, fence, before, "benches/excerpt.yaml"), Lab(lab))


@pytest.mark.parametrize("fence", fences_of("yaml", "keys"), ids=example_id)
def test_keys_of_a_bench_are_without_mistakes(fence: Fence, tmp_path: Path) -> None:
    """The photo and the calibrations that the keys name are put there."""
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "tx1.jpg").write_bytes(b"")
    (tmp_path / "calibrations").mkdir()
    for name, channel in (("tx1", 101), ("tx2", 102)):
        text = calibration_text(content(calibration=name, switches={"relay": [channel]}))
        (tmp_path / "calibrations" / f"{name}_2026-11-25.yaml").write_text(text, encoding="utf-8")
    shutil.copy(library() / "sim_profiles" / "measured_line.s2p", tmp_path)
    keys = _merged(loads(bench_text(), "bench").data, loads(fence.text, "manual").data)
    (tmp_path / "bench.yaml").write_text(yaml.safe_dump(keys, allow_unicode=True), encoding="utf-8")
    load_bench(tmp_path / "bench.yaml", Lab(tmp_path))


def _merged(under: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    """Return ``under`` with the keys of ``over``, mappings inside both merged as well."""
    both = {
        key: _merged(under[key], value)
        if isinstance(value, dict) and isinstance(under.get(key), dict)
        else value
        for key, value in over.items()
    }
    return {**under, **both}


@pytest.mark.parametrize("fence", fences_of("yaml", "driver"), ids=example_id)
def test_a_driver_is_without_mistakes(fence: Fence, lab: Path) -> None:
    load_dialect(str(_written(lab, fence, "", "drivers/excerpt.yaml")), Lab(lab))


@pytest.mark.parametrize("fence", fences_of("yaml", "profile", "faults"), ids=example_id)
def test_a_profile_is_without_mistakes(fence: Fence, lab: Path) -> None:
    before = ""
    if fence.kind == "faults":
        before = Lab(lab).find("profile", "simulated_pier").read_text(encoding="utf-8")
    load_profile(_written(lab, fence, before, "sim_profiles/excerpt.yaml"), Lab(lab))


@pytest.mark.parametrize("fence", fences_of("yaml", "wrong"), ids=example_id)
def test_an_example_of_mistakes_has_some(fence: Fence, lab: Path) -> None:
    loaders = {
        "benches": load_bench,
        "sequences": load_plan,
        "drivers": lambda path, at: load_dialect(str(path), at),
    }
    with pytest.raises(FileProblems):
        loaders[Path(fence.file).parent.name](Path(fence.file), Lab(lab))


def _runnable() -> list[Fence]:
    return [fence for fence in fences_of("console") if fence.kind != "by-hand"]


@pytest.mark.parametrize("fence", _runnable(), ids=example_id)
def test_a_command_prints_what_the_manual_shows(
    fence: Fence, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(make_lab(tmp_path, fence.words[1:]))
    code = 0
    for command in commands(fence.text):
        printed, code = run(command.text, code)
        assert "Traceback" not in printed
        if command.expected:
            expected = "\n".join(command.expected)
            assert agrees(command.expected, printed), f"\n$ {command.text}\n{printed}\n--- shown:\n{expected}"


@pytest.mark.parametrize("fence", fences_of("console"), ids=example_id)
def test_every_option_that_a_command_is_shown_with_exists(fence: Fence) -> None:
    for command in commands(fence.text):
        words = shlex.split(command.text.partition(" | ")[2] or command.text)
        if words[0] != "hilkit":
            continue
        assert words[1] in COMMANDS, command.text
        found: click.Command = importlib.import_module(f"hilkit.cli.{words[1]}_command").command
        known = {name for option in found.params for name in option.opts}
        assert {word.partition("=")[0] for word in words[2:] if word.startswith("--")} <= known, command.text


@pytest.mark.parametrize("fence", fences_of("python"), ids=example_id)
def test_a_program_runs(fence: Fence, lab: Path) -> None:
    exec(compile(fence.text, example_id(fence), "exec"), {"__name__": "example"})


@pytest.mark.parametrize("broken", ["  expected\n", "printed\nmore\n", ""])
def test_a_difference_is_seen(broken: str) -> None:
    """The comparison itself: what differs is told, what is left out by `...` is not."""
    assert not agrees(["printed"], broken)
    assert agrees(["a", "...", "b ... c"], "a\nx\ny\nb 1 c\n")
    assert agrees(["..."], "")


def test_the_faulty_bench_is_not_that_of_the_library(tmp_path: Path) -> None:
    lab = Lab(make_lab(tmp_path, ("analyser/silence/*IDN?",)))
    assert load_profile(lab.find("profile", FAULTY), lab).file.faults[0].kind == "silence"

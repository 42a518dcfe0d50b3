"""A run goes on only with what it was begun with; all that differs is named, and nothing is sent."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from hilkit.bench import load_bench
from hilkit.errors import ExitCode, NothingRan, UsageError
from hilkit.files import Lab
from hilkit.plans import load_plan
from hilkit.record import Event, Outcome, Record, StepEnded, StoredRun, differences
from hilkit.runner import Choice, Resumption, recorded_choice
from tests.runner.broken import SmallNight, as_killed, small_night

SHORT = """\
# a comment
plan: a short plan
bench: simulated_pier
vary: {channel: [1, 2]}
steps:
  - bring_up: {channel: $channel, carrier: 1842.5 MHz, reference: external, limits: {calibrated: {min: 1}}}
"""


@pytest.fixture
def lab(tmp_path: Path) -> SmallNight:
    return small_night(tmp_path, drift=False, plan=SHORT)


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a whole run; beside it is what a kill at the end of its first step leaves."""
    lab = small_night(tmp_path_factory.mktemp("first"), drift=False, plan=SHORT)
    killed: list[Path] = []

    def listener(event: Event) -> None:
        if isinstance(event, StepEnded) and not killed:
            killed.append(as_killed(lab.folder / "whole", lab.folder / "killed"))

    lab.run("whole", listener=listener)
    return lab.folder / "whole"


@pytest.fixture(scope="module")
def source(first: Path) -> StoredRun:
    """A run that was killed at the end of its first step."""
    return Record.open(first.parent / "killed")


def again(lab: SmallNight) -> SmallNight:
    """Read the files again, as the next call of the program does."""
    return SmallNight(
        lab.folder,
        lab.lab,
        load_plan(lab.folder / "small.yaml", lab.lab),
        load_bench("simulated_pier", Lab(lab.folder)),
    )


def rewrite(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def resume(
    lab: SmallNight, source: StoredRun, *, choice: Choice | None = None, seed: int | None = 3
) -> Resumption:
    files = again(lab)
    return Resumption.of(source, files.plan, files.bench, lab.lab, choice=choice or Choice(), seed=seed)


PLAN, BENCH, PROFILE = (
    "small.yaml",
    "sim_profiles/simulated_pier.bench.yaml",
    "sim_profiles/simulated_pier.yaml",
)
CHANGES = {
    "settings": (PLAN, "1842.5 MHz", "1850 MHz", "step bring_up has changed"),
    "limits": (PLAN, "{min: 1}", "{min: 0}", "step bring_up has changed"),
    "combinations": (PLAN, "[1, 2]", "[2, 1]", "vary of the plan has changed"),
    "title": (PLAN, "a short plan", "a plan", "title of the plan was a short plan and is a plan"),
    "more steps": (
        PLAN,
        "steps:\n",
        "steps:\n  - bring_up: {id: more, channel: $channel, carrier: 1842.5 MHz, reference: external}\n",
        "step more is new",
    ),
    "rating": (
        BENCH,
        "analyser input: ",
        "analyser input: 2",
        "ratings analyser input of the bench file has changed",
    ),
    "serial": (BENCH, "PH2-000417", "PH2-000418", "radio of the bench file has changed"),
    "physics": (PROFILE, "ambient: 23", "ambient: 24", "simulated bench simulated_pier has changed"),
    "network": ("sim_profiles/measured_line.s2p", "!", "! again", "file measured_line.s2p has changed"),
}


@pytest.mark.parametrize("change", CHANGES)
def test_what_has_changed_is_named_and_refused(lab: SmallNight, source: StoredRun, change: str) -> None:
    file, old, new, told = CHANGES[change]
    rewrite(lab.folder / file, old, new)
    with pytest.raises(UsageError) as caught:
        resume(lab, source)
    assert f"\n  - {told}" in str(caught.value)
    assert caught.value.exit_code is ExitCode.USAGE


def test_everything_that_has_changed_is_named_at_once(
    lab: SmallNight, source: StoredRun, monkeypatch: pytest.MonkeyPatch
) -> None:
    drivers = lab.folder / "drivers"
    drivers.mkdir()
    own = Lab(None).find("driver", "step_attenuator").read_text(encoding="utf-8")
    (drivers / "step_attenuator.yaml").write_text(
        own.replace("summary:", "summary: my own, "), encoding="utf-8"
    )
    rewrite(lab.folder / PLAN, "{min: 1}", "{min: 0}")
    monkeypatch.setattr("hilkit.runner.fingerprint.__version__", "99")
    with pytest.raises(UsageError) as caught:
        resume(lab, source, choice=Choice(only=("bring_up",), sets={"channel": "1"}), seed=4)
    told = str(caught.value)
    for sentence in (
        "hilkit was ",
        "driver step_attenuator has changed",
        "step bring_up has changed",
        "--only was not given and is bring_up",
        "--set was not given and is channel=1",
        "--seed was 3 and is 4",
    ):
        assert f"\n  - {sentence}" in told


def test_comments_layout_and_units_are_no_change(lab: SmallNight, source: StoredRun) -> None:
    rewrite(lab.folder / PLAN, "# a comment\n", "")
    rewrite(lab.folder / PLAN, "1842.5 MHz", "1.8425 GHz")
    rewrite(lab.folder / BENCH, "bench:", "# what stands here\nbench:")
    assert resume(lab, source).carried == {1}


def test_a_complete_run_says_that_there_is_nothing_to_do(lab: SmallNight, first: Path) -> None:
    whole = Record.open(first)
    with pytest.raises(NothingRan, match="is complete: there is nothing to do") as caught:
        resume(lab, whole)
    assert caught.value.exit_code is ExitCode.NOTHING_RAN


def test_a_record_without_hashes_is_refused(lab: SmallNight, source: StoredRun) -> None:
    with pytest.raises(UsageError, match="written by an older hilkit"):
        resume(lab, replace(source, fingerprint={}))


def test_the_choice_need_not_be_given_again_and_no_other_one_is_taken(source: StoredRun) -> None:
    before = Choice(only=("a",), from_step="a", sets={"channel": "1"}, bench="other")
    chosen = replace(source, choice=before.data)
    assert recorded_choice(chosen, Choice()) == before
    assert recorded_choice(chosen, Choice(only=("a",))) == before
    with pytest.raises(UsageError, match="--from was a and is b"):
        recorded_choice(chosen, Choice(from_step="b"))


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (
            "build: 4.2.0",
            "build: 4.2.1",
            "radio was PH2-220, PH2-000417, 4.2.0 and is PH2-220, PH2-000417, 4.2.1",
        ),
        (
            'firmware: "1.3"}\n    low: 0 dB',
            'firmware: "1.4"}\n    low: 0 dB',
            "pad was Bench Lab, AT63, AT-0092, 1.3 and is Bench Lab, AT63, AT-0092, 1.4",
        ),
    ],
)
def test_another_unit_or_instrument_is_refused_with_rf_off_and_nothing_set(
    lab: SmallNight, source: StoredRun, first: Path, old: str, new: str, told: str
) -> None:
    code, stored = lab.run("second", source=source, other=(old, new))
    assert code is ExitCode.USAGE
    assert told in stored.reason
    assert [step.outcome for step in stored.steps] == [Outcome.DONE, Outcome.SKIPPED]
    sent = (lab.folder / "second" / "transcript.txt").read_text(encoding="utf-8")
    assert "rf 1 off" in sent
    assert "lo 1 " not in sent and ":FREQ" not in sent
    # once the right one is back, the refused run goes on like any other
    code, third = lab.run("third", source=stored)
    assert code is ExitCode.PASSED
    assert differences(Record.open(first), third) == []

"""What the shipped procedures yield, need and refuse decides what a step of a plan may say."""

from pathlib import Path

import pytest

from hilkit.errors import FileProblems
from hilkit.plans import load_plan
from hilkit.procedures import find

SETTINGS = {
    "bring_up": "channel: 1, carrier: 1842.5 MHz, reference: external",
    "tone_placement": "channel: 1, carrier: 1842.5 MHz, offset: 7.5 MHz, attenuation: 10 dB",
    "retune": "channel: 1, carrier: 1842.5 MHz, to: 2350 MHz, offset: 7.5 MHz, attenuation: 10 dB",
    "channel_power": "channel: 1, carrier: 1842.5 MHz, bandwidth: 20 MHz, waveform: nr20, attenuation: 10 dB",
}


@pytest.fixture
def step(tmp_path):
    def read(name, more, **changes):
        settings = SETTINGS[name]
        for old, new in changes.items():
            settings = settings.replace(old, new)
        path = tmp_path / "plan.yaml"
        path.write_text(f"plan: one step\nsteps:\n  - {name}: {{{settings}, {more}}}\n", encoding="utf-8")
        plan = load_plan(path)
        return plan.steps[0].settings(plan.combinations[0])

    return read


@pytest.mark.parametrize(
    ("name", "settings", "limits", "message", "allowed"),
    [
        (
            "tone_placement",
            "corrections: false",
            "image: {max: -50 dBc}",
            "with these settings there is no image in the phase corrected",
            "phase: uncorrected",
        ),
        (
            "tone_placement",
            "corrections: false",
            "corrections_time: {max: 5 s}",
            "with these settings there is no corrections_time",
            "tone_level, ",
        ),
        (
            "bring_up",
            "calibrate: false",
            "calibrated: {min: 1}",
            "with these settings there is no calibrated",
            "reference_locked, ",
        ),
        (
            "retune",
            "recalibrate: false",
            "calibration_time: {max: 5 s}",
            "with these settings there is no calibration_time",
            "lock_time, ",
        ),
    ],
)
def test_a_limit_on_what_the_settings_exclude_is_refused(step, name, settings, limits, message, allowed):
    with pytest.raises(FileProblems) as caught:
        step(name, f"{settings}, limits: {{{limits}}}")
    (problem,) = caught.value.problems
    assert problem.message == message
    assert problem.allowed.startswith(allowed)
    assert problem.line_text[problem.column - 1 :].startswith(limits.split(":")[0])
    step(name, f"limits: {{{limits}}}")


def test_a_limit_on_the_distance_to_the_highest_line_gives_the_depth(step):
    settings = step("tone_placement", "limits: {spurious_free_range: {min: 75 dB}}")
    assert settings.resolve_down_to.db == -75.0


@pytest.mark.parametrize(
    ("depth", "said"),
    [
        ("60 dBc", "the value is out of range"),
        ("-200 dBc", "the value is out of range"),
        ("-60 dB", "this is in dB; a ratio in dBc is needed here"),
    ],
)
def test_a_depth_that_no_analyser_resolves_is_refused(step, depth, said):
    for name in ("tone_placement", "retune"):
        with pytest.raises(FileProblems) as caught:
            step(name, f"resolve_down_to: {depth}")
        assert [problem.message for problem in caught.value.problems] == [said]


def test_an_attenuation_in_dbc_is_refused(step):
    with pytest.raises(FileProblems) as caught:
        step("tone_placement", "pad: 10 dB", **{"attenuation: 10 dB": "attenuation: 10 dBc"})
    (problem,) = caught.value.problems
    assert problem.next_step == "write 10 dB, if that is meant"


def test_a_waveform_that_the_console_would_take_for_more_is_refused(step):
    with pytest.raises(FileProblems) as caught:
        step("channel_power", "pad: 10 dB", nr20="nr 20;reboot")
    (problem,) = caught.value.problems
    assert problem.seen == "nr 20;reboot"


def test_every_step_needs_an_analyser_since_the_run_reads_its_state():
    assert all("signal_analyser" in [need.instrument_class for need in find(name).needs] for name in SETTINGS)


def test_a_channel_narrower_than_the_least_span_of_the_analyser_is_told(tmp_path):
    from hilkit.bench import load_bench
    from hilkit.files import Lab
    from hilkit.plans import check_fit

    text = SETTINGS["channel_power"].replace("20 MHz", "1 Hz")
    path = Path(tmp_path) / "plan.yaml"
    path.write_text(f"plan: narrow\nsteps:\n  - channel_power: {{{text}}}\n", encoding="utf-8")
    lab = Lab(None)
    bench = load_bench("simulated_pier", lab)
    (problem,) = check_fit(load_plan(path), bench)
    assert "a span of 1.25 Hz" in problem.message
    assert problem.line_text[problem.column - 1 :].startswith("1 Hz")

"""What a reading rests on, and over which frequencies a path must be calibrated."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pytest

from hilkit.bench import Bench
from hilkit.errors import ExitCode
from hilkit.files import Lab
from hilkit.plans import Plan, load_plan
from hilkit.readings import Verdict
from hilkit.runner import Calibrations, dates_of
from tests.bench.calibrating import bench_with, calibrated
from tests.runner.test_path_calibration import CALIBRATE, TONE, VERIFY, execute, named

DAY = dt.date(2026, 11, 25)
ENDED = "calibration_due: 2026-11-20"
OF_METER = (f"serial: PM-2210\n    {ENDED}", "serial: PM-2210\n    calibration_due: 2047-06-30")
OF_ANALYSER = (f"reference: external\n    {ENDED}", "reference: external\n    calibration_due: 2047-06-30")
OF_PAD = (f"serial: AT-0092\n    {ENDED}", "serial: AT-0092\n    calibration_due: 2047-06-30")

JUDGED = """\
  - path_verification:
      {channel: 1, from: 1840 MHz, to: 1840 MHz, sensor: SENSOR, limits: {path_deviation: {within: 3 dB}}}
"""
JUDGED = f"plan: verify\nbench: pier\nsteps:\n{JUDGED}"
SELF = """\
plan: bring up
bench: pier
steps:
  - bring_up:
      channel: 1
      carrier: 1842.5 MHz
      reference: external
      limits: {reference_locked: {min: 1}, calibrated: {min: 1}, temperature: {max: 90 °C}}
"""


def overdue(folder: Path, *which: tuple[str, str]) -> Bench:
    """Load the bench with the calibration of some instruments run out five days before the day."""
    return bench_with(folder, changes=[(old, new) for new, old in which])


def plan(folder: Path, text: str) -> Plan:
    file = folder / "plan.yaml"
    file.write_text(text, encoding="utf-8")
    return load_plan(file, Lab(folder))


def told(bench: Bench, folder: Path, text: str) -> tuple[str, ...]:
    """Return what is said of the calibrations before the plan runs on the day."""
    return Calibrations.of(bench, plan(folder, text).runs(), "", DAY).told


# --- what a reading rests on


@pytest.mark.parametrize(
    ("sensor", "which", "verdict"),
    [
        ("power_meter", OF_METER, Verdict.INCONC),
        ("power_meter", OF_PAD, Verdict.INCONC),
        ("power_meter", OF_ANALYSER, Verdict.PASS),
        ("signal_analyser", OF_METER, Verdict.PASS),
        ("signal_analyser", OF_ANALYSER, Verdict.INCONC),
    ],
)
def test_the_sensor_that_the_settings_choose_is_what_a_substitution_rests_on(
    tmp_path: Path, sensor: str, which: tuple[str, str], verdict: Verdict
) -> None:
    bench = overdue(tmp_path, which)
    _, stored = execute(tmp_path, JUDGED.replace("SENSOR", sensor), bench)
    assert stored.steps[0].verdict is verdict
    assert len(stored.calibration) == 1
    if verdict is Verdict.INCONC:
        assert "ran out on 2026-11-20; by its number it would be pass" in stored.steps[0].reason


def test_what_the_radio_reports_of_itself_does_not_rest_on_the_analyser(tmp_path: Path) -> None:
    _, stored = execute(tmp_path, SELF, overdue(tmp_path, OF_ANALYSER))
    assert stored.steps[0].verdict is Verdict.PASS
    assert stored.calibration[0].startswith("the calibration of analyser ran out on 2026-11-20")


def test_what_the_analyser_reads_rests_on_it_beside_what_the_radio_reports(tmp_path: Path) -> None:
    text = TONE.replace("CARRIER", "1842.5 MHz").replace(
        "-40 dBc", "-40 dBc, limits: {image: {max: 0 dBc}, corrections_time: {max: 60 s}}"
    )
    _, stored = execute(tmp_path, text, overdue(tmp_path, OF_ANALYSER))
    verdicts = {r.key.name: r.verdict for r in stored.steps[1].readings if r.limit}
    assert verdicts == {"image": Verdict.INCONC, "corrections_time": Verdict.PASS}


def test_a_limit_relative_to_what_an_overdue_analyser_read_is_inconclusive_too(tmp_path: Path) -> None:
    text = TONE.replace("CARRIER", "1842.5 MHz") + (
        "  - bring_up: {id: again, channel: 1, carrier: 1842.5 MHz, reference: external, limits: "
        "{calibration_time: {max: 60 s, relative_to: {reading: tone_placement.image_settled_after}}}}\n"
    )
    _, stored = execute(tmp_path, text, overdue(tmp_path, OF_ANALYSER))
    assert stored.steps[2].verdict is Verdict.INCONC
    assert "the calibration of analyser ran out on 2026-11-20" in stored.steps[2].reason


def test_a_path_calibrated_with_an_overdue_meter_makes_what_relies_on_it_inconclusive(
    tmp_path: Path,
) -> None:
    bench = overdue(tmp_path, OF_METER)
    code, _ = execute(tmp_path, CALIBRATE, bench)
    assert code == ExitCode.PASSED
    text = TONE.replace("CARRIER", "1842.5 MHz").replace("-40 dBc", "-40 dBc, limits: {image: {max: 0 dBc}}")
    _, stored = execute(tmp_path, text, named(tmp_path, "tx1_2026-11-25.yaml"))
    said = (
        "the calibration tx1_2026-11-25.yaml of path tx1 was made on 2026-11-25 with power_meter, whose own "
        "ran out on 2026-11-20"
    )
    assert f"{said}; what is read with it is inconclusive" in stored.calibration
    assert stored.steps[1].verdict is Verdict.INCONC
    assert said in stored.steps[1].reason


# --- where a path must be calibrated


def cut(folder: Path, low: str, high: str, *keys: str, policy: str = "warn") -> Bench:
    """Load the bench with a calibration of tx1 whose grid goes from ``low`` over 1.8425 GHz to ``high``."""
    points = [
        {"frequency": f, "loss": "27 dB", "common": "0.05 dB", "local": "0.03 dB"}
        for f in (low, "1842.5 MHz", high)
    ]
    return calibrated(folder, *keys, policy=policy, points=points)


STEPS = {
    "tone_placement": "{offset: 7.5 MHz, attenuation: 6 dB, analysed_band: 50 MHz}",
    "channel_power": "{bandwidth: 40 MHz, waveform: nr20, attenuation: 12 dB}",
    "power_sweep": "{offset: 7.5 MHz, from: 10 dB, to: 12 dB, step: 1 dB}",
    "retune": "{to: 1850 MHz, offset: 7.5 MHz, attenuation: 6 dB}",
}
READ = {
    "tone_placement": (1817.5, 1867.5),
    "channel_power": (1817.5, 1867.5),
    "power_sweep": (1849.5, 1850.5),
    "retune": (1812.5, 1880.0),
}
"""What each reads of a carrier at 1842.5 MHz, in MHz: its band, 1.25 times the bandwidth, the tone, both
carriers with the 60 MHz of the radio."""


def step(name: str) -> str:
    inner = STEPS[name].strip("{}")
    return f"plan: p\nbench: pier\nsteps:\n  - {name}: {{channel: 1, carrier: 1842.5 MHz, {inner}}}\n"


@pytest.mark.parametrize("name", STEPS)
def test_the_whole_band_that_a_step_reads_must_be_calibrated(tmp_path: Path, name: str) -> None:
    low, high = READ[name]
    assert not told(cut(tmp_path, f"{min(low, 1842)} MHz", f"{high} MHz"), tmp_path, step(name))
    bench = cut(tmp_path, "1842 MHz", f"{high - 0.25} MHz")
    said = told(bench, tmp_path, step(name))
    assert len(said) == 1
    below = f"{low / 1e3:.10g} GHz to 1.842 GHz and from " if low < 1842 else ""
    above = f"{(high - 0.25) / 1e3:.10g} GHz to {high / 1e3:.10g} GHz"
    assert said[0].startswith(f"path tx1 is not calibrated from {below}{above}, where it is read")


@pytest.mark.parametrize(
    ("keys", "date", "sentence"),
    [
        ("calibration_days: 3", "2026-11-20", "is 5 days old; the limit is 3 days; it is relied on from "),
        ("", "2026-11-26", "is dated 2026-11-26, after today; it is relied on from "),
    ],
)
def test_a_stale_calibration_is_told_with_the_frequencies_that_rely_on_it(
    tmp_path: Path, keys: str, date: str, sentence: str
) -> None:
    bench = calibrated(tmp_path, keys, policy="warn", date=date)
    (said,) = told(bench, tmp_path, step("channel_power"))
    assert said.endswith(f"{sentence}1.8175 GHz to 1.8675 GHz")


def test_a_missing_calibration_is_told_once_with_all_frequencies_that_are_read(tmp_path: Path) -> None:
    bench = bench_with(tmp_path, "calibration_policy: warn")
    text = step("channel_power") + step("retune").partition("steps:\n")[2].replace("1850 MHz", "2350 MHz")
    assert told(bench, tmp_path, text) == (
        "path tx1 has no calibration; it is read from 1.8125 GHz to 1.8725 GHz and from 2.32 GHz to 2.38 GHz",
    )


def test_only_the_steps_that_run_are_asked(tmp_path: Path) -> None:
    """Verifying a path is not refused because of what else the plan holds."""
    bench = bench_with(tmp_path, "calibration_policy: refuse")
    whole = plan(tmp_path, VERIFY + TONE.replace("CARRIER", "1842.5 MHz").partition("steps:\n")[2])
    assert Calibrations.of(bench, whole.runs(), "", DAY).refused
    first = [(combination, each) for combination, each in whole.runs() if each.id == "path_verification"]
    assert not Calibrations.of(bench, first, "", DAY).refused
    text = whole.document.text
    assert execute(tmp_path, text, bench, only=["path_verification"])[0] == ExitCode.PASSED


def test_beyond_its_grid_the_elements_count_point_by_point_and_inside_the_calibration(tmp_path: Path) -> None:
    """At the edge of a grid the calibrated part of a band keeps the loss that its budget speaks of."""
    path = cut(tmp_path, "1840 MHz", "1850 MHz").path(1)
    axis = np.array([1830e6, 1842.5e6, 1860e6])
    losses = path.losses_db(axis)
    assert losses[1] == pytest.approx(27.0)
    assert [losses[0], losses[2]] == pytest.approx([path.loss_db(1830e6), path.loss_db(1860e6)])
    assert abs(losses[0] - 27.0) > 0.1


# --- a bench alone


def test_a_bench_alone_tells_its_dates(tmp_path: Path) -> None:
    changes = [(old, new) for new, old in (OF_METER, OF_ANALYSER)]
    changes[1] = (changes[1][0], changes[1][1].replace("2026-11-20", "2026-11-26"))
    bench = bench_with(tmp_path, "calibration_policy: refuse", changes=changes)
    assert dates_of(bench, DAY) == [
        "the calibration of power_meter ran out on 2026-11-20",
        "the calibration of analyser runs out on 2026-11-26, in 1 day",
        "path tx1 has no calibration",
        "path tx2 has no calibration",
    ]
    stale = calibrated(tmp_path, "calibration_days: 3", policy="warn")
    assert (
        "the calibration tx1.yaml of path tx1 is 5 days old; the limit is 3 days; it is relied on from "
        "1.7 GHz to 2.5 GHz"
    ) in dates_of(stale, DAY)

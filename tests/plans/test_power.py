"""The power budget of a plan holds every node, its highest level, and the step that puts it there."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from hilkit.bench import Bench, load_bench
from hilkit.files import Lab
from hilkit.plans import NodePower, load_plan, power_budget
from hilkit.reports import power_block
from hilkit.safety import predict
from hilkit.safety.source import source_levels_dbm
from tests.bench.trial import bench_of, changed

PLAN = """\
plan: two levels
bench: trial
vary: {channel: [1, 2]}
steps:
  - channel_power:
      id: low
      channel: $channel
      carrier: 1842.5 MHz
      waveform: nr20
      bandwidth: 20 MHz
      attenuation: 20 dB
  - channel_power: {id: high, channel: $channel, carrier: 1842.5 MHz, waveform: nr20, bandwidth: 20 MHz,
                    attenuation: 15 dB}
"""


def budget_of(folder: Path, bench: Bench, text: str = PLAN) -> dict[str, NodePower]:
    path = folder / "plan.yaml"
    path.write_text(text, encoding="utf-8")
    return {node.node: node for node in power_budget(load_plan(path, Lab(folder)), bench)}


def test_the_worst_step_of_each_node_is_named_with_its_combination(tmp_path: Path) -> None:
    """43 dBm less 15 dB leave the port; the pad input has 27 dBm less 3 dB of margin."""
    found = budget_of(tmp_path, bench_of(tmp_path))
    port = found["radio tx2 port"]
    assert (port.step, port.combination, port.level_dbm) == ("high", "channel=2", pytest.approx(28.0))
    assert port.doing == "channel 2 at 1.8425 GHz, attenuation 15 dB, pad 5 dB"
    pad = found["pad input"]
    assert pad.to_spare_db == pytest.approx(27.0 - 3.0 - pad.level_dbm)


def test_a_node_that_no_step_reaches_is_shown_without_power(tmp_path: Path) -> None:
    found = budget_of(tmp_path, bench_of(tmp_path), PLAN.replace("[1, 2]", "[1]"))
    assert found["radio tx2 port"].level_dbm == -math.inf
    assert found["radio tx2 port"].step == ""


def test_the_budget_is_the_most_that_the_gate_would_predict(tmp_path: Path) -> None:
    bench = bench_of(tmp_path)
    found = budget_of(tmp_path, bench)
    plan = load_plan(tmp_path / "plan.yaml", Lab(tmp_path))
    for combination, step in plan.runs():
        for exposure in step.procedure.envelope(step.settings(combination), bench):
            for node, level in predict(bench, exposure.state).items():
                assert found[node].level_dbm >= level


def test_peaks_stand_beside_averages_where_a_node_has_a_rating_for_them(tmp_path: Path) -> None:
    text = changed(
        ("bandwidth: 40 MHz", "bandwidth: 40 MHz\n  papr: 11 dB"),
        ("pad input: 27 dBm", "pad input: {average: 27 dBm, peak: 30 dBm}"),
    )
    bench = bench_of(tmp_path, text)
    pad = budget_of(tmp_path, bench)["pad input"]
    assert pad.peak_dbm == pytest.approx(pad.level_dbm + 11.0)
    assert pad.to_spare_db == pytest.approx(30.0 - 3.0 - pad.peak_dbm)
    lines = [line.text for line in power_block([pad], margin_db=3.0, width=80)]
    assert "27/30 dBm" in lines[-2] or "27/30 dBm" in lines[-3]
    assert all(len(line) <= 80 for line in lines)


def test_a_generator_counts_like_the_radio() -> None:
    """The generator of the calibration may be 0.5 dB above the 10 dBm that it is set to."""
    lab = Lab()
    plan = load_plan(lab.find("plan", "path_calibration"), lab)
    bench = load_bench("simulated_pier_calibration", lab)
    found = {node.node: node for node in power_budget(plan, bench)}
    assert found["power_meter sensor"].level_dbm == pytest.approx(10.5)
    assert found["power_meter sensor"].doing.startswith("generator at 10 dBm and ")
    combination, step = next(iter(plan.runs()))
    for source in step.procedure.sources(step.settings(combination), bench):
        levels = source_levels_dbm(
            bench, source.generator, source.lead, frequency_hz=source.frequency_hz, level_dbm=source.level_dbm
        )
        assert all(found[node].level_dbm >= level for node, level in levels.items())


def test_a_level_over_a_rating_is_a_word_in_the_table() -> None:
    node = NodePower(node="load", level_dbm=31.0, rating_dbm=30.0, to_spare_db=-4.0, step="tone", doing="x")
    lines = [line.text for line in power_block([node], margin_db=3.0, width=80)]
    assert lines[3].split() == ["load", "31.0", "dBm", "30", "dBm", "-4.0", "dB", "TOO", "HIGH"]

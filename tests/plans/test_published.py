"""A limit by standard and clause in a plan becomes the published number, and keeps where it stands."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilkit.errors import FileProblems
from hilkit.plans import load_plan, plan_hash
from hilkit.plans.plan import Plan

PLAN = """plan: trial of published limits
vary: {carrier: [1842.5 MHz, 2350 MHz]}
steps:
  - channel_power:
      channel: 1
      carrier: $carrier
      bandwidth: 18.36 MHz
      waveform: nr20
      attenuation: 10 dB
      limits: {channel_power: {standard: ts_38_104, clause: 6.2.2, rated: 20 dBm, REST}}
"""


def plan(folder: Path, rest: str) -> Plan:
    path = folder / "p.yaml"
    path.write_text(PLAN.replace("REST", rest), encoding="utf-8")
    return load_plan(path)


def test_the_limit_is_the_published_one_with_its_origin(tmp_path: Path) -> None:
    found = plan(tmp_path, "requirement: test")
    for combination in found.combinations:
        (limit,) = found.steps[0].limits(combination)["channel_power"]
        assert (limit.low, limit.high) == (17.3, 22.7)
        assert "[test requirement: 3GPP TS 38.104 V16.0.0, clause 6.2.2" in str(limit)
        assert str(limit).endswith("from memory, check the document]")


def test_the_requirement_is_part_of_what_the_plan_is(tmp_path: Path) -> None:
    minimum = plan(tmp_path, "requirement: minimum")
    assert plan_hash(minimum) != plan_hash(plan(tmp_path, "requirement: test"))
    assert "from memory" not in str(minimum.steps[0].limit(minimum.combinations[0], "channel_power"))


@pytest.mark.parametrize(
    ("rest", "told"),
    [
        ("conditions: extreme", "depends on the requirement"),
        ("requirement: tests", "did you mean test?"),
        ("requirement: test, band: n41", "n3 (for carrier=1842.5 MHz)"),
        ("requirement: test, band: n4", "did you mean n4"),
        ("requirement: test, max: 3 dBm", "max"),
        ("requirement: test, class: wide_aera", "did you mean wide_area?"),
        ("requirement: test, phase: late", "no phase of this name"),
    ],
)
def test_mistakes_are_told_at_their_place(tmp_path: Path, rest: str, told: str) -> None:
    with pytest.raises(FileProblems) as caught:
        plan(tmp_path, rest)
    text = str(caught.value)
    assert "p.yaml:10:" in text
    if "n41" in rest:
        assert "lies outside the downlink of this band" in text and "n40" in text
    else:
        assert told in text

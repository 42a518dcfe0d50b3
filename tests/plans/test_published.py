"""A limit by standard and clause in a plan becomes the published number, and keeps where it stands."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilkit.errors import FileProblems
from hilkit.plans import load_plan, plan_hash
from hilkit.plans.plan import Plan
from hilkit.quantities import Frequency, Level, Ratio
from hilkit.readings import ReadingSpec
from tests.plans.trial import Tone, ToneSettings

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


class LeakageSettings(ToneSettings):
    bandwidth: Frequency
    relative_limit: Ratio | None = None
    absolute_limit: Level | None = None


class Leakage(Tone):
    name = "leakage"
    settings_model = LeakageSettings
    readings = (ReadingSpec(name="leakage_margin", unit="dB", meaning="over the better of both limits"),)


LEAKAGE = """plan: trial of a margin
steps:
  - leakage:
      channel: 1
      carrier: 1842.5 MHz
      bandwidth: 20 MHz
      limits: {leakage_margin: {standard: ts_38_104, clause: 6.6.3, requirement: test, class: medium_range}}
"""


def test_a_margin_has_both_limits_of_the_clause_told_to_the_procedure(tmp_path: Path) -> None:
    path = tmp_path / "p.yaml"
    path.write_text(LEAKAGE, encoding="utf-8")
    found = load_plan(path, procedures={"leakage": Leakage()})
    settings = found.steps[0].settings(found.combinations[0])
    assert settings.relative_limit == Ratio.parse("44.2 dB")
    assert settings.absolute_limit == Level.parse("-25 dBm")
    limit = found.steps[0].limit(found.combinations[0], "leakage_margin")
    assert limit is not None and limit.low == 0.0 and "Table 6.6.3.2-2" in limit.origin


def test_a_margin_by_clause_and_by_hand_are_two_limits(tmp_path: Path) -> None:
    path = tmp_path / "p.yaml"
    path.write_text(
        LEAKAGE.replace("      limits:", "      relative_limit: 40 dB\n      limits:"), encoding="utf-8"
    )
    with pytest.raises(FileProblems) as caught:
        load_plan(path, procedures={"leakage": Leakage()})
    assert "p.yaml:7:" in str(caught.value) and "gives this already" in str(caught.value)


def test_nothing_of_the_origin_is_lost_on_the_way_to_the_limit(tmp_path: Path) -> None:
    found = plan(tmp_path, "requirement: test")
    limit = found.steps[0].limit(found.combinations[0], "channel_power")
    assert limit is not None and limit.origin == (
        "test requirement: 3GPP TS 38.104 V16.0.0, clause 6.2.2, with 3GPP TS 38.141-1, Annex C, "
        "Table C.1-1; from memory, check the document"
    )

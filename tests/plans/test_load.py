"""A plan is expanded into every combination, each step with its settings and limits."""

import pytest

from hilkit.errors import FileProblems, UsageError
from hilkit.judgement import Limit
from hilkit.plans import Combination, load_plan, plan_hash, step_hash
from hilkit.quantities import Frequency, Ratio
from tests.plans.trial import PROCEDURES

PLAN = """\
plan: a tone at two places
bench: pier
vary: {channel: [1, 2], carrier: [1842.5 MHz, 2350 MHz]}
steps:
  - nothing:
  - tone:
      channel: $channel
      carrier: $carrier + 20 MHz
      limits:
        image:
          - {max: -50 dBc}
          - {phase: uncorrected, max: -25 dBc}
        lo_leakage: {max: -45 dBc}
        tone_frequency: {nominal: $carrier + 27.5 MHz, within: 0.1 ppm}
  - levels: {id: steps, channel: $channel, limits: {step_error: {within: 0.25 dB}}}
"""


@pytest.fixture
def read(tmp_path):
    def reader(text=PLAN, **options):
        path = tmp_path / "tones.yaml"
        path.write_text(text, encoding="utf-8")
        return load_plan(path, procedures=PROCEDURES, **options)

    return reader


def combination(channel, carrier):
    return Combination(vary=(("channel", channel), ("carrier", carrier)))


def test_every_combination_is_there_the_last_name_fastest(read):
    plan = read()
    assert [str(each) for each in plan.combinations] == [
        "channel=1, carrier=1842.5 MHz",
        "channel=1, carrier=2350 MHz",
        "channel=2, carrier=1842.5 MHz",
        "channel=2, carrier=2350 MHz",
    ]


def test_all_steps_of_a_combination_run_before_the_next_combination(read):
    order = [(dict(each.vary)["channel"], step.id) for each, step in read().runs()]
    assert order[:4] == [("1", "nothing"), ("1", "tone"), ("1", "steps"), ("1", "nothing")]
    assert len(order) == 12


def test_a_plan_without_vary_has_one_combination(read):
    plan = read("plan: one\nsteps:\n  - tone: {channel: 1, carrier: 2350 MHz}\n")
    assert plan.combinations == (Combination(),)
    assert str(plan.combinations[0]) == ""


def test_settings_are_those_of_the_combination(read):
    step = read().step("tone")
    settings = step.settings(combination("2", "2350 MHz"))
    assert (settings.channel, settings.carrier, settings.filter) == (2, Frequency(2.37e9), "wide")


def test_limits_are_numbers_in_the_unit_of_the_reading(read):
    step = read().step("tone")
    here = combination("2", "2350 MHz")
    assert step.limit(here, "image", "corrected") == Limit(unit="dBc", high=-50.0, phase="corrected")
    assert step.limit(here, "image", "uncorrected") == Limit(unit="dBc", high=-25.0, phase="uncorrected")
    assert step.limit(here, "tone_frequency").nominal == 2.3775e9
    assert step.limit(here, "tone_frequency").within == pytest.approx(237.75)
    assert step.limit(here, "tone_level") is None
    assert step.limit(here, "image", "elsewhere") is None


def test_the_procedure_is_told_how_deep_its_limits_need_it_to_resolve(read):
    assert read().step("tone").settings(combination("1", "2350 MHz")).resolve_down_to == Ratio(
        -50.0, unit="dBc"
    )


def test_a_depth_in_the_plan_overrides_that_of_the_limits(read):
    plan = read(PLAN.replace("      limits:", "      resolve_down_to: -70 dBc\n      limits:"))
    assert plan.step("tone").settings(combination("1", "2350 MHz")).resolve_down_to == Ratio(
        -70.0, unit="dBc"
    )


def test_without_a_limit_in_dbc_the_procedure_chooses_its_own_depth(read):
    plan = read("plan: one\nsteps:\n  - tone: {channel: 1, carrier: 2350 MHz, limits: {lines: {max: 3}}}\n")
    assert plan.step("tone").settings(Combination()).resolve_down_to is None


def test_a_step_is_called_after_its_procedure_unless_it_has_an_id(read):
    assert [step.id for step in read().steps] == ["nothing", "tone", "steps"]


def test_a_repeat_needs_no_dollar(read):
    plan = read("plan: thrice\nvary: {night: [1, 2, 3]}\nsteps:\n  - nothing:\n")
    assert [str(each) for each in plan.combinations] == ["night=1", "night=2", "night=3"]


# --- --set and --bench


def test_a_set_value_overrides_vary_and_stays_part_of_the_combination(read):
    plan = read(sets={"carrier": "1850 MHz"})
    assert [str(each) for each in plan.combinations] == [
        "channel=1, carrier=1850 MHz",
        "channel=2, carrier=1850 MHz",
    ]


def test_a_set_value_can_give_a_name_that_the_plan_leaves_open(read):
    text = "plan: open\nsteps:\n  - tone: {channel: $channel, carrier: 2350 MHz}\n"
    with pytest.raises(FileProblems, match="nothing gives \\$channel a value"):
        read(text)
    plan = read(text, sets={"channel": "2"})
    assert plan.step("tone").settings(plan.combinations[0]).channel == 2


@pytest.mark.parametrize(
    ("name", "near"), [("carier", "did you mean carrier?"), ("power", "names in the plan")]
)
def test_a_set_value_that_nothing_uses_is_refused(read, name, near):
    with pytest.raises(UsageError) as caught:
        read(sets={name: "1850 MHz"})
    assert near in caught.value.next_step


def test_a_set_value_that_does_not_fit_is_told_at_the_place_of_its_use(read):
    with pytest.raises(FileProblems) as caught:
        read(sets={"channel": "0"})
    (tone,) = caught.value.problems
    assert (tone.line, tone.seen) == (7, "0 (from $channel)")


def test_a_set_value_with_a_misspelt_unit_is_told_once_and_by_its_option(read):
    with pytest.raises(UsageError) as caught:
        read(sets={"carrier": "1850 mhz"})
    assert caught.value.message.startswith("--set carrier=1850 mhz: 'mhz' is no unit that is known")
    assert caught.value.next_step.startswith("did you mean MHz")


def test_the_bench_of_the_command_line_overrides_that_of_the_plan(read):
    assert read().bench_name() == "pier"
    assert read(bench_override="quay").bench_name() == "quay"


def test_a_plan_without_a_bench_never_falls_back_to_another_one(read):
    plan = read(PLAN.replace("bench: pier\n", ""))
    with pytest.raises(UsageError, match="names no bench"):
        plan.bench_name()


# --- digests: common practice, no source


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("steps:\n", "# a remark\nsteps:\n"),
        ("{id: steps, channel: $channel,", "{channel: $channel, id: steps,"),
        ("carrier: $carrier + 20 MHz", "carrier: 0.02 GHz + $carrier"),
    ],
)
def test_layout_and_order_of_keys_do_not_change_the_digest(read, old, new):
    before = plan_hash(read())
    changed = PLAN.replace(old, new)
    assert changed != PLAN
    assert plan_hash(read(changed)) == before


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("a tone at", "tones at"),
        ("max: -45", "max: -46"),
        ("+ 20 MHz", "+ 21 MHz"),
        ("[1, 2]", "[1]"),
        ("steps,", "s,"),
    ],
)
def test_a_change_of_content_changes_the_digest(read, old, new):
    before = plan_hash(read())
    changed = PLAN.replace(old, new)
    assert changed != PLAN
    assert plan_hash(read(changed)) != before


def test_the_digest_of_a_step_knows_its_combination(read):
    plan = read()
    digests = {step_hash(step, each) for each, step in plan.runs()}
    assert len(digests) == 12
    assert all(len(digest) == 64 for digest in digests)


def test_another_version_of_a_procedure_is_another_digest(read, monkeypatch):
    plan = read()
    before = plan_hash(plan)
    monkeypatch.setattr(type(PROCEDURES["tone"]), "version", 2)
    assert plan_hash(plan) != before


RULES = """\
plan: rules
decision: {rule: guard_band, r: 0.83}
allow_expired_calibration: only looking
steps:
  - tone: {id: first, channel: 1, carrier: 1842.5 MHz}
  - tone:
      channel: 1
      carrier: 1842.5 MHz
      decision: {rule: false_acceptance, probability: 1 %}
      limits:
        image: {max: -20 dB, relative_to: {reading: first.image, phase: uncorrected}}
"""


def test_decision_rules_and_relative_limits_are_read_and_count_for_the_digest(tmp_path):
    def loaded(text):
        path = tmp_path / "rules.yaml"
        path.write_text(text, encoding="utf-8")
        return load_plan(path, procedures=PROCEDURES)

    plan = loaded(RULES)
    assert (plan.rule.r, plan.allow_expired_calibration) == (0.83, "only looking")
    first, second = plan.steps
    assert first.rule == plan.rule
    assert second.rule.probability == pytest.approx(0.01)
    (limit,) = second.limits(plan.combinations[0])["image"]
    assert str(limit) == "max -20 dB against first.image uncorrected"
    changes = {"r: 0.83": "r: 1", "1 %": "2 %", "only looking": "why not", "uncorrected": "corrected"}
    for before, after in changes.items():
        assert plan_hash(loaded(RULES.replace(before, after))) != plan_hash(plan), before

"""The JSON Schema completes and checks plans as the loader reads them."""

import jsonschema
import pytest

from hilkit.files import load
from hilkit.plans import plan_schema
from tests.plans.test_bad import FOLDER
from tests.plans.test_load import PLAN
from tests.plans.trial import PROCEDURES

SCHEMA = plan_schema(PROCEDURES)


def problems(path):
    return list(jsonschema.Draft202012Validator(SCHEMA).iter_errors(load(path).data))


def test_it_is_a_schema_of_draft_2020_12():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


def test_a_good_plan_keeps_to_it(tmp_path):
    path = tmp_path / "plan.yaml"
    path.write_text(PLAN, encoding="utf-8")
    assert problems(path) == []


NEEDS_NO_ARITHMETIC = """
    no_title no_steps empty_steps unknown_key unknown_procedure settings_not_indented step_is_text
    step_is_empty settings_are_text missing_setting unknown_setting wrong_unit no_unit wrong_word a_list
    vary_without_values vary_of_one_value vary_value_is_a_list
    limit_on_unknown_reading limit_on_unknown_phase limit_phase_where_there_is_none limit_key limit_is_a_value
    limits_are_a_value limit_list_is_empty decision_r_is_negative decision_of_another_rule
"""


@pytest.mark.parametrize("name", NEEDS_NO_ARITHMETIC.split())
def test_an_editor_marks_what_needs_no_arithmetic(name):
    assert problems(FOLDER / f"{name}.yaml")


def test_every_setting_and_reading_is_listed_for_completion():
    tone = SCHEMA["properties"]["steps"]["items"]["properties"]["tone"]
    assert set(tone["properties"]) == {
        "channel", "carrier", "offset", "filter", "attenuation", "resolve_down_to", "id", "limits",
        "decision",
    }  # fmt: skip
    assert set(tone["properties"]["limits"]["properties"]) == {
        "tone_level", "tone_frequency", "image", "lo_leakage", "lines",
    }  # fmt: skip
    assert tone["properties"]["limits"]["properties"]["image"]["description"].endswith("(dBc)")

"""A mask limits each member of a series by a straight line between its points, and no further."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilkit.judgement import Limit, LimitFile, Mask, MaskPoint, judge, resolve_limit
from hilkit.readings import Reading, ReadingKey, ReadingSpec, Verdict

SPEC = ReadingSpec(
    name="level", unit="dBm", meaning="level", series=True, index_name="offset", index_unit="dB"
)
SLOPE = Mask(points=(MaskPoint(at=0.0, high=-20.0), MaskPoint(at=10.0, high=-40.0)), index_unit="dB")
STEP = Mask(
    points=(
        MaskPoint(at=0.0, high=-20.0),
        MaskPoint(at=5.0, high=-20.0),
        MaskPoint(at=5.0, high=-30.0),
        MaskPoint(at=9.0, high=-30.0),
    )
)


def member(value, index):
    return Reading(key=ReadingKey(step="sweep", name="level", index=index), value=value, unit="dBm")


# Linear interpolation between two points: school arithmetic, no source.
@pytest.mark.parametrize(("index", "high"), [(0.0, -20.0), (2.5, -25.0), (10.0, -40.0)])
def test_between_its_points_a_mask_is_a_straight_line(index, high):
    assert SLOPE.sides(index) == (None, high)


@pytest.mark.parametrize("index", [-0.1, 10.1])
def test_outside_its_points_a_mask_says_nothing(index):
    assert SLOPE.sides(index) is None
    judgement = judge(member(-99.0, index), Limit(unit="dBm", mask=SLOPE))
    assert judgement.verdict is Verdict.INCONC
    assert f"the mask reaches from 0 dB to 10 dB, the reading is at {index:g} dB" in judgement.reason


def test_on_a_step_the_stricter_side_counts():
    # 3GPP TS 38.104, 6.6.4: operating band unwanted emission limits change in steps (from memory).
    assert [STEP.sides(index) for index in (4.9, 5.0, 5.1)] == [(None, -20.0), (None, -30.0), (None, -30.0)]
    lower = Mask(points=tuple(MaskPoint(at=p.at, low=p.high) for p in STEP.points))
    assert lower.sides(5.0) == (-20.0, None)


@given(st.floats(0, 10), st.floats(-80, 0))
def test_a_member_passes_exactly_where_it_lies_under_the_line(index, value):
    judgement = judge(member(value, index), Limit(unit="dBm", mask=SLOPE))
    line = -20.0 - 2.0 * index
    if abs(value - line) > 1e-9:
        assert (judgement.verdict is Verdict.PASS) == (value < line)
    assert judgement.limit_text.startswith("max -")


def test_a_mask_is_read_from_a_plan_in_the_units_of_index_and_reading():
    file = LimitFile.model_validate(
        {"mask": [{"at": "0 dB", "max": "1 W"}, {"at": "10 dB", "min": "-3 dBm", "max": "0 dBm"}]}
    )
    limit, mistakes = resolve_limit(file, SPEC)
    assert limit is None and "same sides" in mistakes[0].message
    file = LimitFile.model_validate({"mask": [{"at": "0 dB", "max": "1 W"}, {"at": "10 dB", "max": "0 dBm"}]})
    limit, mistakes = resolve_limit(file, SPEC)
    assert not mistakes
    assert limit.mask.sides(10.0) == (None, 0.0)
    assert limit.mask.sides(0.0)[1] == pytest.approx(30.0)  # 1 W is 30 dBm by definition
    assert limit.deepest == 0.0
    assert str(limit) == "mask: max 30 dBm at 0 dB; max 0 dBm at 10 dB"

"""Powers as levels and as voltages."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hilkit.quantities import (
    Level,
    Power,
    QuantityError,
    dbm_to_dbuv,
    dbm_to_w,
    dbuv_to_dbm,
    w_to_dbm,
)


# By definition of the decibel relative to 1 mW (ITU-R V.574-5, annex 1, from memory).
@pytest.mark.parametrize(
    ("dbm", "watt"), [(0.0, 1e-3), (30.0, 1.0), (43.0, 19.95262), (46.0, 39.81072), (-30.0, 1e-6)]
)
def test_levels_and_powers_agree_with_the_definition(dbm, watt):
    assert dbm_to_w(dbm) == pytest.approx(watt, rel=1e-6)
    assert w_to_dbm(watt) == pytest.approx(dbm, abs=1e-6)
    assert Level(dbm).power.w == pytest.approx(watt, rel=1e-6)
    assert Power(watt).level.dbm == pytest.approx(dbm, abs=1e-6)


# 0 dBm is 224 mV or 107 dBuV in 50 ohm, 108.75 dBuV in 75 ohm: common practice, no source.
@pytest.mark.parametrize(("ohm", "dbuv"), [(50.0, 106.9897), (75.0, 108.7506)])
def test_zero_dbm_as_a_voltage(ohm, dbuv):
    assert dbm_to_dbuv(0.0, ohm=ohm) == pytest.approx(dbuv, abs=5e-5)
    assert dbuv_to_dbm(dbuv, ohm=ohm) == pytest.approx(0.0, abs=5e-5)
    assert 10 ** (dbuv / 20) * 1e-6 == pytest.approx(math.sqrt(1e-3 * ohm), rel=1e-5)


@settings(deadline=None)
@given(st.floats(-300, 300), st.floats(1, 1000))
def test_conversions_undo_each_other(dbm, ohm):
    assert w_to_dbm(dbm_to_w(dbm)) == pytest.approx(dbm, abs=1e-9)
    assert dbuv_to_dbm(dbm_to_dbuv(dbm, ohm=ohm), ohm=ohm) == pytest.approx(dbm, abs=1e-9)


@pytest.mark.parametrize("watt", [0.0, -1.0, math.nan, math.inf])
def test_only_a_power_above_zero_has_a_level(watt):
    with pytest.raises(QuantityError, match="only a power above 0 W"):
        w_to_dbm(watt)


@pytest.mark.parametrize("ohm", [0.0, -50.0, math.nan, math.inf])
def test_an_impedance_is_above_zero(ohm):
    with pytest.raises(QuantityError, match="an impedance"):
        dbm_to_dbuv(0.0, ohm=ohm)


def test_a_level_beyond_all_powers_is_refused():
    with pytest.raises(QuantityError, match="too large"):
        dbm_to_w(1e6)

"""The DC supply through both of its dialects, on the simulated bench and on an in-memory instrument."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilkit.errors import RefusedError
from hilkit.instruments import DcSupply, SupplyLimits
from tests.instruments.bench import FakeBench
from tests.instruments.simulated import SimulatedBench

RESOURCE = "TCPIP0::127.0.0.1::5030::SOCKET"
DRIVERS = ("dc_supply", "dc_supply_listed")

Real = tuple[SimulatedBench, DcSupply]


@pytest.fixture(params=DRIVERS)
def real(request: pytest.FixtureRequest, tmp_path: Path) -> Real:
    bench = SimulatedBench(tmp_path)
    return bench, bench.open("supply", request.param, RESOURCE)


def test_what_is_set_is_read_back_and_measured_at_its_own_output(real: Real) -> None:
    _, supply = real
    assert supply.set_voltage(5.0, output=2) == 5.0
    assert supply.set_current_limit(0.5, output=2) == 0.5
    assert supply.set_voltage_protection(6.0, output=2) == 6.0
    supply.set_output(True, output=2)
    assert (supply.output(2), supply.voltage(2), supply.current_limit(2)) == (True, 5.0, 0.5)
    assert supply.measured_voltage(2) == pytest.approx(5.0, rel=2e-3)
    assert supply.measured_current(2) == pytest.approx(0.2, rel=2e-3)
    assert (supply.voltage(1), supply.output(1)) == (12.0, True)
    supply.set_output(False, output=2)
    assert supply.output(2) is False
    assert supply.errors() == []


def test_opening_it_and_asking_who_it_is_leaves_the_radio_powered(real: Real) -> None:
    bench, supply = real
    assert supply.identity().model == "PS32"
    assert bench.world.radio.powered
    supply.set_output(False)
    assert not bench.world.radio.powered


def test_a_trip_is_told_with_its_kind_and_the_output_stays_off_until_it_is_cleared(real: Real) -> None:
    bench, supply = real
    assert supply.tripped() == ""
    supply.apply({"current_protection": True}, output=1)
    bench.world.supplies["supply"].outputs[1].change("extra_a", 3.0)
    assert supply.tripped() == "over-current"
    with pytest.raises(RefusedError, match="output 1 stays off: its over-current protection has tripped"):
        supply.set_output(True)
    bench.world.supplies["supply"].outputs[1].change("extra_a", 0.0)
    supply.clear_trip()
    supply.set_output(True)
    assert supply.tripped() == ""


def test_over_voltage_is_told_too(real: Real) -> None:
    _, supply = real
    supply.set_voltage_protection(13.0)
    with pytest.raises(RefusedError):
        supply.set_voltage(100.0)
    supply.set_voltage(14.0)
    assert supply.tripped() == "over-voltage"


def test_an_output_that_is_not_there_is_refused_and_no_other_one_is_touched(real: Real) -> None:
    bench, supply = real
    with pytest.raises(RefusedError):
        supply.set_output(False, output=3)
    assert bench.world.radio.powered


def test_what_the_front_panel_has_selected_does_not_matter(tmp_path: Path) -> None:
    bench = SimulatedBench(tmp_path)
    supply = bench.open("supply", "dc_supply", RESOURCE)
    assert supply.measured_voltage(1) > 11
    supply.link.set(":INSTrument:NSELect 2")
    supply.set_output(False)
    assert not bench.world.radio.powered


def test_an_output_that_stays_on_is_found_out() -> None:
    bench = FakeBench()
    supply = bench.open("dc_supply")
    bench.instrument.answers[":OUTPUT:STATE?"] = "1"
    with pytest.raises(RefusedError, match="output: sent off, read back on"):
        supply.set_output(False)


def test_its_limits_come_from_the_driver_file() -> None:
    supply = FakeBench().open("dc_supply")
    assert supply.limits() == SupplyLimits(voltage_v=(0.0, 60.0), current_a=(0.0, 50.0))


def test_a_supply_with_one_output_needs_no_choice_of_it_and_refuses_a_second_one(tmp_path: Path) -> None:
    folder = tmp_path / "drivers"
    folder.mkdir()
    text = "driver: single\nbase: dc_supply\ninstrument_class: dc_supply\ncapabilities: {select: null}\n"
    (folder / "single.yaml").write_text(text, encoding="utf-8")
    from hilkit.files import Lab
    from hilkit.instruments import load_dialect

    bench = FakeBench()
    supply = bench.open("dc_supply")
    supply.dialect = load_dialect("single", Lab(tmp_path))
    supply.set_output(True)
    assert not any("INSTrument" in line for line in bench.instrument.log)
    with pytest.raises(RefusedError, match="knows one output, not output 2"):
        supply.set_output(True, output=2)

"""Connecting opens every instrument, checks who answers, and leaves none open whatever happens."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from hilkit.bench import Connected, load_bench
from hilkit.bench import connected as module
from hilkit.errors import BenchError, IdentityError, LinkError
from hilkit.files import load
from tests.bench.pier import LAB, Lines, pier, simulated


@pytest.fixture
def closed(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return a list that gets the names of instruments as they are closed."""
    names: list[str] = []
    opening = module.open_one

    def open_one(spec: Any, *rest: Any) -> Any:
        item = opening(spec, *rest)
        closing = item.close

        def close() -> None:
            names.append(spec.name)
            closing()

        item.close = close
        return item

    monkeypatch.setattr(module, "open_one", open_one)
    return names


def test_everything_is_open_inside_and_closed_in_reverse_order_after(
    tmp_path: Path, closed: list[str]
) -> None:
    manager, clock = simulated()
    with pier(tmp_path).connect(manager, clock, Lines(), LAB) as connected:
        assert connected.analyser.identity().serial == "SA-70311"
        assert connected.radio.identity().model == "PH2-220"
        assert list(connected.pads) == ["pad"]
        assert list(connected.switches) == ["relay"]
        assert list(connected.instruments) == ["analyser", "pad", "relay", "supply"]
        assert closed == []
    assert closed == ["radio", "supply", "relay", "pad", "analyser"]


def test_on_calibration_day_generator_and_meter_are_prepared_too_and_send_no_rf(tmp_path: Path) -> None:
    manager, clock = simulated()
    for port, left in ((5028, b":POW 3;:OUTP ON;:POW:OFFS 5"), (5029, b":SENS:CORR ON")):
        item = manager.open_resource(f"TCPIP0::127.0.0.1::{port}::SOCKET")
        item.write_raw(left + b"\n")
        item.close()
    bench = load_bench(LAB.find("bench", "simulated_pier_calibration"), LAB)
    with bench.connect(manager, clock, Lines(), LAB) as connected:
        generator = connected.generators["generator"]
        assert (generator.output(), generator.read_number("level_offset")) == (False, 0.0)
        assert generator.read("reference_source") == "external"
        assert connected.power_meters["power_meter"].read("corrections") is False


def test_the_bench_on_calibration_day_is_the_same_but_for_what_calibrates() -> None:
    daily, that_day = (
        load(LAB.find("bench", name)).data for name in ("simulated_pier", "simulated_pier_calibration")
    )
    for name in ("generator", "power_meter"):
        del that_day["instruments"][name]
    del that_day["ratings"]["power_meter sensor"], that_day["planes"]
    assert {**that_day, "bench": daily["bench"]} == daily


def test_an_exception_inside_closes_everything_too(tmp_path: Path, closed: list[str]) -> None:
    manager, clock = simulated()
    with pytest.raises(ZeroDivisionError), pier(tmp_path).connect(manager, clock, Lines(), LAB):
        raise ZeroDivisionError
    assert closed == ["radio", "supply", "relay", "pad", "analyser"]


def test_an_instrument_that_cannot_be_closed_does_not_keep_others_open(
    tmp_path: Path, closed: list[str]
) -> None:
    manager, clock = simulated()
    connected = pier(tmp_path).connect(manager, clock, Lines(), LAB)

    def close() -> None:
        raise LinkError("gone", instrument="relay")

    connected.switches["relay"].close = close  # type: ignore[method-assign]
    connected.close()
    assert closed == ["radio", "supply", "pad", "analyser"]


def test_the_analyser_is_prepared_on_the_reference_of_the_bench_file(tmp_path: Path) -> None:
    manager, clock = simulated()
    lines = Lines()
    with pier(tmp_path).connect(manager, clock, lines, LAB):
        assert any("ROSCillator:SOURce EXT" in text for text in lines.sent("analyser"))
    lines = Lines()
    with pier(tmp_path, ("reference: external", "reference: internal")).connect(manager, clock, lines, LAB):
        assert any("ROSCillator:SOURce INT" in text for text in lines.sent("analyser"))


def test_nothing_is_set_where_nothing_is_to_be_prepared(tmp_path: Path) -> None:
    manager, clock = simulated()
    lines = Lines()
    with pier(tmp_path).connect(manager, clock, lines, LAB, prepare=False):
        assert all(text == "about" or text.endswith("?") for text in lines.sent())


@pytest.mark.parametrize(
    ("wrong", "right", "text"),
    [
        (
            "serial: AT-0093",
            "serial: AT-0092",
            "pad: serial 'AT-0092' answers at TCPIP0::127.0.0.1::5026::SOCKET",
        ),
        ("model: PH4", "model: PH2-220", "radio: model 'PH2-220' answers at TCPIP0::127.0.0.1::5100::SOCKET"),
    ],
)
def test_another_instrument_than_expected_is_refused(
    tmp_path: Path, closed: list[str], wrong: str, right: str, text: str
) -> None:
    manager, clock = simulated()
    with pytest.raises(IdentityError) as caught:
        pier(tmp_path, (right, wrong)).connect(manager, clock, Lines(), LAB)
    assert text in caught.value.message
    assert f"'{wrong.split()[1]}' was expected" in caught.value.message
    assert "check the cabling" in caught.value.next_step
    assert closed[-1] == "analyser"


def test_a_resource_that_is_not_there_is_told_and_closes_what_was_open(
    tmp_path: Path, closed: list[str]
) -> None:
    manager, clock = simulated()
    with pytest.raises(LinkError) as caught:
        pier(tmp_path, ("127.0.0.1::5027", "127.0.0.1::5999")).connect(manager, clock, Lines(), LAB)
    assert caught.value.instrument == "relay"
    assert "5999" in str(caught.value)
    assert closed == ["pad", "analyser"]


def test_a_bench_without_an_analyser_says_so_when_it_is_asked_for(tmp_path: Path) -> None:
    bench = pier(tmp_path)
    with pytest.raises(BenchError, match="'simulated pier' has no signal analyser"):
        _ = Connected(bench, {}, None).analyser  # type: ignore[arg-type]

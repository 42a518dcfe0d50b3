"""What cannot work on the bench is told before an instrument is touched, at its place in the plan."""

from dataclasses import replace
from pathlib import Path as FilePath
from types import SimpleNamespace

import pytest

from hilkit.bench import Bench, InstrumentSpec, Path, RadioSpec
from hilkit.bench.loss import ConstantLoss, TableLoss
from hilkit.bench.path import Element
from hilkit.instruments.capability import Capability, CapabilitySpec, Limits
from hilkit.plans import check_fit, load_plan
from tests.plans.trial import PROCEDURES

# Bands n3 and n40, downlink: 3GPP TS 38.104, table 5.2-1 (1805-1880 MHz and 2300-2400 MHz).
BANDS = ((1805e6, 1880e6), (2300e6, 2400e6))


def instrument(name, instrument_class, *capabilities):
    dialect = SimpleNamespace(capabilities=dict.fromkeys(capabilities))
    return InstrumentSpec(name=name, driver=name, instrument_class=instrument_class, dialect=dialect)


def bench(*, pad=True, cable_to_hz=3e9, ratings=None):
    cable = Element(label="cable", loss=TableLoss([1e9, cable_to_hz], [1.0, 1.0]))
    fixed = Element(label="fixed pad", loss=ConstantLoss(20.0))
    nodes = [("radio port", 0), ("after the pad", 1), ("analyser input", 2)]
    instruments = {"analyser": instrument("analyser", "signal_analyser")}
    if pad:
        instruments["pad"] = instrument("pad", "step_attenuator")
    return Bench(
        name="pier",
        file=FilePath("pier.yaml"),
        text="",
        instruments=instruments,
        radio=RadioSpec(channels={1: "tx1", 2: "tx2"}, max_level_dbm=37.0, bands_hz=BANDS, bandwidth_hz=20e6),
        radio_spec=instrument("radio", "radio"),
        paths={name: Path(name, [fixed, cable], nodes) for name in ("tx1", "tx2")},
        ratings=ratings or {},
    )


@pytest.fixture
def fit(tmp_path):
    def checker(text, where=None):
        path = tmp_path / "plan.yaml"
        path.write_text(text, encoding="utf-8")
        return check_fit(load_plan(path, procedures=PROCEDURES), where or bench())

    return checker


VARIED = """\
plan: tones
vary: {channel: [1, 2], carrier: [1842.5 MHz, 2350 MHz]}
steps:
  - tone: {channel: $channel, carrier: $carrier}
  - levels: {channel: $channel}
"""


def test_a_plan_that_fits_is_answered_with_nothing(fit):
    assert fit(VARIED) == []


def test_an_instrument_that_the_bench_lacks_is_told_once_at_the_step(fit):
    (problem,) = fit(VARIED, bench(pad=False))
    assert (problem.line, problem.column) == (5, 5)
    assert "has no step attenuator" in problem.message
    assert "(for" not in problem.message


def test_a_channel_that_the_radio_lacks_is_told_at_its_value(fit):
    (problem,) = fit(VARIED.replace("[1, 2]", "[1, 3]"))
    assert problem.message == "pier has no channel 3 (used as channel in line 4, as channel in line 5)"
    assert problem.allowed == "1, 2"
    assert problem.line == 2
    assert problem.line_text[problem.column - 1 :].startswith("3]")


def test_a_carrier_outside_the_range_of_the_radio_is_told_at_its_value(fit):
    (problem,) = fit(VARIED.replace("2350 MHz", "2500 MHz"))
    assert problem.message == "the radio of pier cannot be tuned to 2.5 GHz (used as carrier in line 4)"
    assert problem.allowed == "1.805 GHz to 1.88 GHz or 2.3 GHz to 2.4 GHz"
    assert problem.line_text[problem.column - 1 :].startswith("2500 MHz")


def test_a_mistake_of_two_values_together_names_the_other_one_too(fit, monkeypatch):
    monkeypatch.setattr(
        type(PROCEDURES["tone"]),
        "misfits",
        lambda self, settings, where: [("carrier", "too near")] if settings.channel == 2 else [],
    )
    first, second = fit(VARIED)
    assert first.message == "too near (for channel=2, carrier=1842.5 MHz) (used as carrier in line 4)"
    assert first.line == second.line == 2


def test_a_path_without_a_loss_at_the_carrier_is_told(fit):
    problems = fit(VARIED, bench(cable_to_hz=2e9))
    assert len(problems) == 2
    assert all("has no loss at" in problem.message and "2350 MHz" in problem.message for problem in problems)
    assert "does not extrapolate" in problems[0].next_step


def test_a_level_over_a_rating_is_told_with_what_is_allowed(fit):
    # 37 dBm - 10 dB transmit attenuation - 20 dB pad - 1 dB cable = 6 dBm (common practice, no source).
    (problem,) = fit(VARIED, bench(ratings={"analyser input": 5.0}))
    assert problem.message.startswith("up to 6.0 dBm is predicted at analyser input")
    assert problem.allowed == "2.0 dBm, the rating of 5 dBm less a margin of 3 dB"


def test_of_many_levels_over_a_rating_the_highest_is_told_once_for_all_its_combinations(fit):
    text = VARIED.replace("carrier: $carrier}", "carrier: $carrier, attenuation: $down}").replace(
        "vary: {channel: [1, 2]", "vary: {channel: [1], down: [20 dB, 8 dB, 10 dB]"
    )
    (problem,) = fit(text, bench(ratings={"analyser input": 5.0}))
    # 37 dBm - 8 dB transmit attenuation - 20 dB pad - 1 dB cable = 8 dBm (common practice, no source).
    assert problem.message.startswith("up to 8.0 dBm is predicted at analyser input")
    assert "down=20 dB" not in problem.message


def test_what_a_procedure_finds_itself_is_told_at_its_setting(fit, monkeypatch):
    monkeypatch.setattr(
        type(PROCEDURES["tone"]),
        "misfits",
        lambda self, settings, where: [("carrier", "too near to the edge"), ("offset", "lines collide")],
    )
    low, high, offset = fit(VARIED)
    assert low.message == high.message == "too near to the edge (used as carrier in line 4)"
    assert (offset.line, offset.column) == (4, 5), "a setting left to its default is told at the step"
    assert offset.message == "lines collide"


def with_range(**limits):
    """Return a bench whose radio has declared what its attenuation and carrier can be."""
    declared = {
        name: Capability(
            spec=CapabilitySpec(name=name, kind="number", meaning="", unit=unit), limits=limits[name]
        )
        for name, unit in (("attenuation", "dB"), ("carrier", "Hz"))
        if name in limits
    }
    radio = InstrumentSpec(
        name="radio", driver="head", instrument_class="radio", dialect=SimpleNamespace(capabilities=declared)
    )
    return replace(bench(), radio_spec=radio)


ONE = "plan: one\nsteps:\n  - tone: {channel: 1, carrier: 1842.5 MHz, attenuation: 60 dB}\n"


def test_a_value_outside_the_range_of_a_driver_is_told_at_its_setting(fit):
    limits = Limits(minimum=0.0, maximum=31.5, step=0.5)
    (problem,) = fit(ONE, with_range(attenuation=limits))
    assert problem.message == "radio: attenuation cannot be set to 60 dB"
    assert problem.allowed == "0 dB to 31.5 dB in steps of 0.5 dB, by the driver head"
    assert problem.line_text[problem.column - 1 :].startswith("60 dB")
    (carrier,) = fit(ONE, with_range(carrier=Limits(minimum=2.3e9, maximum=2.4e9)))
    assert "carrier cannot be set to 1842500000 Hz" in carrier.message


def test_a_value_between_two_steps_of_a_driver_is_told_with_its_neighbours(fit):
    limits = Limits(minimum=0.0, maximum=31.5, step=0.5)
    (problem,) = fit(ONE.replace("60 dB", "6.3 dB"), with_range(attenuation=limits))
    assert problem.message == "radio: attenuation 6.3 dB falls between two steps"
    assert problem.next_step == "use 6 dB or 6.5 dB"
    assert fit(ONE.replace("60 dB", "6.5 dB"), with_range(attenuation=limits)) == []

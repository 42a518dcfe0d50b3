"""What cannot work on the bench is told before an instrument is touched, at its place in the plan."""

from pathlib import Path as FilePath
from types import SimpleNamespace

import pytest

from hilkit.bench import Bench, InstrumentSpec, Path, RadioSpec
from hilkit.bench.loss import ConstantLoss, TableLoss
from hilkit.bench.path import Element
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


def test_a_channel_that_the_radio_lacks_is_told_for_its_combinations(fit):
    first, second = fit(VARIED.replace("[1, 2]", "[1, 3]"))
    assert first.message == "pier has no channel 3 (for channel=3)"
    assert first.allowed == "1, 2"
    assert (first.line, second.line) == (4, 5)
    assert VARIED.splitlines()[3][first.column - 1 :].startswith("$channel")


def test_a_carrier_outside_the_range_of_the_radio_is_told_at_the_carrier(fit):
    (problem,) = fit(VARIED.replace("2350 MHz", "2500 MHz"))
    assert problem.message == "the radio of pier cannot be tuned to 2.5 GHz (for carrier=2500 MHz)"
    assert problem.allowed == "1.805 GHz to 1.88 GHz or 2.3 GHz to 2.4 GHz"
    assert VARIED.splitlines()[3][problem.column - 1 :].startswith("$carrier")


def test_a_path_without_a_loss_at_the_carrier_is_told(fit):
    problems = fit(VARIED, bench(cable_to_hz=2e9))
    assert len(problems) == 2
    assert all("has no loss at" in problem.message and "2350 MHz" in problem.message for problem in problems)
    assert "does not extrapolate" in problems[0].next_step


def test_a_level_over_a_rating_is_told_with_what_is_allowed(fit):
    # 37 dBm - 10 dB transmit attenuation - 20 dB pad - 1 dB cable = 6 dBm (common practice, no source).
    problems = fit(VARIED, bench(ratings={"analyser input": 5.0}))
    assert [problem.message.split(",")[0] for problem in problems] == [
        "up to 6.0 dBm is predicted at analyser input"
    ] * 4
    assert problems[0].allowed == "2.0 dBm, the rating of 5 dBm less a margin of 3 dB"


def test_what_a_procedure_finds_itself_is_told_at_its_setting(fit, monkeypatch):
    monkeypatch.setattr(
        type(PROCEDURES["tone"]),
        "misfits",
        lambda self, settings, where: [("carrier", "too near to the edge"), ("offset", "lines collide")],
    )
    offset, carrier = sorted(fit(VARIED), key=lambda problem: problem.column)
    assert (offset.message, carrier.message) == ("lines collide", "too near to the edge")
    assert offset.column == 5, "a setting that the plan leaves to its default is told at the step"

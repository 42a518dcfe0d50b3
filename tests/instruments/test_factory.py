"""Opening instruments from their dialect."""

import pytest

import hilkit.instruments
from hilkit.clock import VirtualClock
from hilkit.errors import UsageError
from hilkit.files import Lab
from hilkit.instruments import (
    Radio,
    SignalAnalyser,
    StepAttenuator,
    SwitchMatrix,
    load_dialect,
    open_instrument,
)
from tests.instruments.bench import SOCKET, FakeBench


@pytest.mark.parametrize(
    ("driver", "kind"),
    [
        ("signal_analyser", SignalAnalyser),
        ("signal_analyser_contrary", SignalAnalyser),
        ("step_attenuator", StepAttenuator),
        ("switch_matrix", SwitchMatrix),
        ("radio_head", Radio),
    ],
)
def test_a_driver_opens_as_its_class_and_nothing_is_sent(driver: str, kind: type) -> None:
    bench = FakeBench()
    instrument = bench.open(driver)
    assert type(instrument) is kind
    assert instrument.name == "analyser"
    assert bench.instrument.log == []


@pytest.mark.parametrize(
    ("driver", "where"),
    [
        ("radio_head", {}),
        ("radio_head", {"resource": SOCKET, "command": ["radio"]}),
        ("signal_analyser", {"command": ["analyser"]}),
        ("signal_analyser", {}),
        ("signal_analyser", {"resource": SOCKET}),
        ("radio_head", {"resource": SOCKET}),
    ],
)
def test_what_is_missing_to_open_an_instrument_is_said(driver: str, where: dict) -> None:
    with pytest.raises(UsageError, match="needs a resource"):
        open_instrument(load_dialect(driver, Lab(None)), name="x", clock=VirtualClock(), **where)


def test_every_public_name_exists_and_is_documented() -> None:
    for name in hilkit.instruments.__all__:
        assert getattr(hilkit.instruments, name).__doc__, name
    assert list(hilkit.instruments.__all__) == sorted(hilkit.instruments.__all__)

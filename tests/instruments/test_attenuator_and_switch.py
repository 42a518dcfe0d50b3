"""The step attenuator and the relay switch on an in-memory instrument."""

from pathlib import Path

import pytest

from hilkit.errors import RefusedError, ReplyError
from hilkit.files import Lab
from tests.instruments.bench import FakeBench

MAXIMUM = ":INPUT:ATTENUATION? MAXIMUM"
MINIMUM = ":INPUT:ATTENUATION? MINIMUM"


def pad() -> tuple[FakeBench, object]:
    found = FakeBench()
    found.instrument.answers |= {MINIMUM: "0", MAXIMUM: "63"}
    return found, found.open("step_attenuator")


def test_a_code_is_set_read_back_and_given_time_to_settle() -> None:
    found, attenuator = pad()
    assert attenuator.set(10.0) == 10.0
    assert attenuator.get() == 10.0
    assert found.instrument.log[:3] == [
        ":INPut:ATTenuation 10 DB",
        ":SYSTem:ERRor:NEXT?",
        ":INPut:ATTenuation?",
    ]
    assert found.clock.now() == pytest.approx(0.02)


def test_the_range_is_asked_from_the_instrument_once() -> None:
    """SCPI-99 volume 1, clause 7.2: MINimum and MAXimum must be understood by every number."""
    found, attenuator = pad()
    assert attenuator.range == attenuator.range == (0.0, 63.0, 1.0)
    assert len(found.instrument.log) == 2
    assert attenuator.limits.step == 1.0
    assert attenuator.insertion is None


def test_a_code_that_is_refused_comes_back_with_its_name_and_the_instruments_text() -> None:
    """SCPI-99 volume 2, clause 21.8: -222, Data out of range."""
    found, attenuator = pad()
    found.instrument.on_set = lambda header, value: (
        found.instrument.queue.append('-222,"Data out of range"') if value == "99 DB" else None
    )
    with pytest.raises(RefusedError, match=r'attenuation = 99 dB was answered .* -222,"Data out of range"'):
        attenuator.set(99.0)


def test_a_pad_that_answers_and_does_not_move_is_found_out() -> None:
    found, attenuator = pad()
    found.instrument.answers[":INPUT:ATTENUATION?"] = "5"
    with pytest.raises(RefusedError, match="attenuation: sent 10 dB, read back 5 dB"):
        attenuator.set(10.0)


def test_an_answer_that_is_no_number_is_shown() -> None:
    found, attenuator = pad()
    found.instrument.answers[":INPUT:ATTENUATION?"] = "ERR\x07"
    with pytest.raises(ReplyError, match=r"'ERR\\x07', which is not a number"):
        attenuator.get()


def test_range_step_and_loss_may_stand_in_the_driver_file(tmp_path: Path) -> None:
    (tmp_path / "drivers").mkdir()
    (tmp_path / "drivers" / "mine.yaml").write_text(
        "driver: mine\nbase: step_attenuator\ninstrument_class: step_attenuator\ninsertion_loss: 1.5 dB\n"
        "capabilities:\n  attenuation: {range: [0 dB, 31.75 dB], step: 0.25 dB}\n",
        encoding="utf-8",
    )
    found = FakeBench()
    attenuator = found.open("mine", Lab(tmp_path))
    assert attenuator.range == (0.0, 31.75, 0.25)
    assert attenuator.insertion == 1.5
    with pytest.raises(RefusedError, match=r"attenuation = 40 dB is out of range"):
        attenuator.set(40.0)
    assert found.instrument.log == []


def relays() -> tuple[FakeBench, object, set[str]]:
    found = FakeBench()
    closed: set[str] = set()

    def moved(header: str, value: str) -> None:
        if header == ":ROUTE:OPEN:ALL":
            closed.clear()
        elif header == ":ROUTE:CLOSE":
            closed.update(value.strip("(@)").split(","))

    found.instrument.on_set = moved
    found.instrument.answers[":ROUTE:CLOSE:STATE?"] = lambda _: f"(@{','.join(sorted(closed))})"
    return found, found.open("switch_matrix"), closed


def test_everything_is_opened_before_anything_is_closed_and_each_move_settles() -> None:
    """Closure order inside one list is not guaranteed: common practice, no source."""
    found, switch, _ = relays()
    switch.route([102, 101, 102])
    moves = [line for line in found.instrument.log if line.startswith((":ROUTe:OPEN", ":ROUTe:CLOSe "))]
    assert moves == [":ROUTe:OPEN:ALL;*OPC", ":ROUTe:CLOSe (@101,102);*OPC"]
    assert switch.closed() == (101, 102)
    assert found.clock.now() >= 0.04


def test_a_route_to_nothing_leaves_everything_open() -> None:
    _, switch, closed = relays()
    switch.route([101])
    switch.route([])
    assert not closed
    switch.open_all()
    assert switch.closed() == ()


def test_a_relay_that_sticks_is_found_out() -> None:
    found, switch, _ = relays()
    found.instrument.answers[":ROUTE:CLOSE:STATE?"] = "(@101)"
    with pytest.raises(RefusedError, match="channels none should be closed, 101 are"):
        switch.route([102])


def test_a_channel_that_does_not_exist_is_an_error_of_the_switch() -> None:
    """SCPI-99 volume 2, clause 21.8: -224, Illegal parameter value."""
    found, switch, _ = relays()
    found.instrument.on_set = lambda header, value: (
        found.instrument.queue.append('-224,"Illegal parameter value"') if "999" in value else None
    )
    with pytest.raises(RefusedError, match=r'close was answered .* -224,"Illegal parameter value"'):
        switch.route([999])

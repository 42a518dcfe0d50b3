"""Waiting for completion. IEEE 488.2, clauses 10.18 to 10.20 and 12.5 (from memory): *OPC sets bit 0 of the
ESR.
"""

import pytest

from hilkit.errors import Interrupted, LinkError, RefusedError
from tests.instruments.bench import FakeBench

START = ":INITiate:IMMediate"


def sweeping(sweep_s: float, **settings: object) -> tuple[FakeBench, object]:
    bench = FakeBench()
    bench.instrument.sweep_s = sweep_s
    return bench, bench.link(**settings)


def test_a_sweep_is_waited_for_with_opc_and_esr_and_nothing_blocks() -> None:
    bench, link = sweeping(12.0)
    link.run(START, expected_s=12.0)
    assert bench.clock.now() == pytest.approx(12.0, abs=0.1)
    assert bench.instrument.log[:3] == ["*ESR?", f"{START};*OPC", "*ESR?"]
    assert "*OPC?" not in bench.instrument.log


def test_a_sweep_that_takes_longer_than_expected_is_polled_in_slices() -> None:
    bench, link = sweeping(3.0)
    link.run(START, expected_s=1.0)
    assert bench.clock.now() == pytest.approx(3.0, abs=0.1)
    assert 20 < bench.instrument.log.count("*ESR?") < 60


def test_a_completion_left_over_from_before_does_not_end_the_wait() -> None:
    bench, link = sweeping(2.0)
    bench.instrument.events = 1
    link.run(START, expected_s=0.1)
    assert bench.clock.now() >= 2.0


def test_the_register_is_read_before_a_wait_only_when_its_state_is_not_known() -> None:
    bench, link = sweeping(0.0)
    link.run(START, 0.0)
    before = len(bench.instrument.log)
    link.run(START, 0.0)
    assert bench.instrument.log[before:] == [f"{START};*OPC", "*ESR?"]
    link.clear_status()
    link.wait_complete(0.0)
    assert bench.instrument.log[-3:] == ["*ESR?", "*OPC", "*ESR?"]


def test_a_long_sweep_can_be_interrupted() -> None:
    bench, link = sweeping(1000.0)

    def stop() -> None:
        if bench.clock.now() > 5.0:
            raise Interrupted("stopped")

    bench.clock.watch(stop)
    with pytest.raises(Interrupted):
        link.run(START, expected_s=1000.0)
    assert bench.clock.now() == pytest.approx(5.0, abs=0.1)


def test_error_bits_seen_while_waiting_are_reported_with_the_queue() -> None:
    """IEEE 488.2, clause 11.5.1 (from memory): bit 4 execution error."""
    bench, link = sweeping(1.0)
    bench.instrument.on_set = lambda header, value: setattr(
        bench.instrument, "events", 16 if header == "*OPC" else bench.instrument.events
    )
    with pytest.raises(RefusedError, match="the event status register reports execution error"):
        link.run(START, expected_s=0.5)
    bench.instrument.queue.append('-221,"Settings conflict"')
    with pytest.raises(RefusedError, match='-221,"Settings conflict"'):
        link.run(START, expected_s=0.5)


def test_the_power_on_bit_while_waiting_is_a_restart() -> None:
    bench, link = sweeping(0.0)
    link.run(START, 0.0)
    bench.instrument.events = 128
    with pytest.raises(LinkError, match="restarted"):
        link.run(START, 0.0)


def test_a_power_on_from_before_the_first_look_is_no_restart_and_one_after_a_clear_is() -> None:
    """IEEE 488.2, clause 11.5.1 (from memory): bit 7, power on; it stays until the register is read."""
    bench, link = sweeping(0.0)
    bench.instrument.events = 128
    link.run(START, 0.0)
    link.clear_status()
    bench.instrument.events = 128
    with pytest.raises(LinkError, match="restarted"):
        link.run(START, 0.0)


def test_a_sweep_that_does_not_end_is_given_up_after_expected_time_and_margin() -> None:
    bench, link = sweeping(1e9)
    link.identify()
    with pytest.raises(LinkError) as caught:
        link.run(START, expected_s=2.0, margin_s=3.0)
    assert "did not complete within 5 s (expected 2 s)" in caught.value.message
    assert "back in step" in caught.value.message
    assert bench.clock.now() == pytest.approx(5.0, abs=0.2)


def test_a_trigger_that_never_came_is_named() -> None:
    """SCPI-99 volume 2, STATus:OPERation: bit 5 is waiting for trigger."""
    bench, link = sweeping(1e9)
    bench.instrument.answers[":STATUS:OPERATION:CONDITION?"] = "32"
    with pytest.raises(LinkError, match="it waits for a trigger") as caught:
        link.run(START, expected_s=0.1, margin_s=0.1)
    assert caught.value.next_step == "set the trigger source to immediate"


def test_opc_query_is_used_only_where_the_dialect_says_so_and_the_wait_is_short() -> None:
    bench, link = sweeping(0.0, completion="opc_query")
    link.run(START, expected_s=0.19)
    assert bench.instrument.log == [START, "*OPC?"]
    link.run(START, expected_s=0.2)
    assert "*OPC?" not in bench.instrument.log[2:]
    assert f"{START};*OPC" in bench.instrument.log


def test_the_operation_condition_register_tells_the_end_where_opc_does_not() -> None:
    bench, link = sweeping(4.0, completion="operation_condition")
    link.run(START, expected_s=1.0)
    assert bench.clock.now() == pytest.approx(4.0, abs=0.1)
    assert not any("*OPC" in line for line in bench.instrument.log)


def test_elapsed_waits_the_expected_time_and_a_little_more() -> None:
    bench, link = sweeping(4.0, completion="elapsed")
    link.run(START, expected_s=4.0)
    assert bench.clock.now() == pytest.approx(4.45)
    assert bench.instrument.log == [START]

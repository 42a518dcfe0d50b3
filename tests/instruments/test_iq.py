"""I/Q captures through the dialect of the simulated analyser."""

from pathlib import Path

import numpy as np
import pytest

from hilkit.errors import RefusedError, ReplyError
from hilkit.instruments.iq import capture_iq
from tests.instruments.simulated import SimulatedBench, fault

LINES = ("clockin external", "lo 1 1842500000", "trim 1 12", "tune 1", "play 1 file nr20 -15", "play 1 start")


def ready(tmp_path: Path, *faults: object, driver: str = "signal_analyser"):
    standard = "standard" if driver == "signal_analyser" else "contrary"
    bench = SimulatedBench(tmp_path, dialect=standard, faults=faults)
    for line in (*LINES, "rf 1 on"):
        assert bench.world.radio.handle_line(line) == "ok"
        bench.clock.sleep(2.0)
    bench.world.relays["relay"].close([101])
    bench.world.pads["pad"].set(0)
    analyser = bench.analyser(driver)
    analyser.identity()
    analyser.prepare(reference="external")
    bench.clock.sleep(3.0)
    return bench, analyser


def take(analyser, **more):
    asked = {"centre_hz": 1842.5e6, "rate_hz": 30.72e6, "count": 40_000, "attenuation_db": 10.0}
    return capture_iq(analyser, **{**asked, "reference_level_dbm": 0.0, **more})


@pytest.mark.parametrize("driver", ["signal_analyser", "signal_analyser_contrary"])
def test_a_capture_holds_the_level_that_arrives(tmp_path: Path, driver: str) -> None:
    bench, analyser = ready(tmp_path, driver=driver)
    began = bench.clock.now()
    taken = take(analyser)
    assert taken.samples.shape == (40_000,)
    assert (taken.rate_hz, taken.centre_hz) == (30.72e6, 1842.5e6)
    sent = 10 * np.log10(bench.world.wiring.sent_w(1, bench.clock.now())) + 30
    expected = sent - bench.world.path_loss_db(1, 1842.5e6)
    assert taken.level_dbm == pytest.approx(expected, abs=1.0)
    assert bench.clock.now() - began >= 40_000 / 30.72e6
    assert analyser.errors() == []


def test_settings_out_of_range_are_refused(tmp_path: Path) -> None:
    _, analyser = ready(tmp_path)
    with pytest.raises(RefusedError, match="iq_rate = 1000000000 Hz is out of range"):
        take(analyser, rate_hz=1e9)


def test_another_byte_order_is_no_number(tmp_path: Path) -> None:
    _, analyser = ready(tmp_path)
    analyser.apply({"byte_order": "little"})
    with pytest.raises(ReplyError):
        take(analyser)


def test_half_a_block_is_an_error(tmp_path: Path) -> None:
    _, analyser = ready(tmp_path, fault("half_block", ":TRACe:IQ:DATA?"))
    with pytest.raises(ReplyError):
        take(analyser)

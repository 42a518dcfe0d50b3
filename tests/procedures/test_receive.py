"""The receive side on its simulated bench: readings hold the truth, bad benches and samples are told."""

from __future__ import annotations

import base64
from pathlib import Path

import numpy as np
import pytest

from hilkit.bench import load_bench
from hilkit.errors import FileProblems, ReplyError, SafetyStop
from hilkit.files import Lab, library
from hilkit.instruments.sample_block import decoded
from hilkit.judgement.uncertainty import combine
from hilkit.procedures.registry import find
from hilkit.quantities import Frequency, Level
from hilkit.safety import RfState
from hilkit.safety.prediction import refuse_shared_port
from hilkit.testing import simulated_bench
from hilkit.testing.conformance import check_procedure

CARRIER = Frequency.parse("1842.5 MHz")
STEPS = {
    "receiver_gain": {},
    "noise_figure": {},
    "receiver_intercept": {},
    "receiver_responses": {"elsewhere": (Frequency.parse("1903.94 MHz"), Frequency.parse("1700 MHz"))},
    "sensitivity": {"from": Level(-104.0), "to": Level(-94.0)},
}
TRUTH = {"full_scale_level": -21.4, "input_ip3": -9.5, "noise_figure": 3.74, "sensitivity": -98.4}
"""Of the profile. The converter's own steps add 0.14 dB to the noise figure of 3.6 dB: a step of 2^-13 has
(2^-13)^2 / 6 of noise in I and Q, 15 dB under what the port alone gives. Frames pass at 95 % where the ratio
is 1.645 spreads above `needed`: k (296 K + 374 K) 18 MHz is -97.8 dBm."""


def bench_text(*changes: tuple[str, str]) -> str:
    text = (library() / "sim_profiles" / "simulated_slip.bench.yaml").read_text(encoding="utf-8")
    for before, after in changes:
        assert before in text
        text = text.replace(before, after)
    return text


def bench_of(folder: Path, *changes: tuple[str, str]):  # type: ignore[no-untyped-def]
    file = folder / "changed.bench.yaml"
    file.write_text(bench_text(*changes), encoding="utf-8")
    return load_bench(file, Lab(None))


@pytest.mark.parametrize("name", STEPS)
def test_a_procedure_yields_what_it_declares_and_its_interval_holds_the_truth(name: str) -> None:
    procedure = find(name)
    settings = procedure.settings_model(channel=1, carrier=CARRIER, **STEPS[name])
    with simulated_bench("simulated_slip") as on:
        assert check_procedure(procedure, settings, on) == []
        for reading in procedure.measure(on.session, settings):
            assert all(each.held for each in reading.evidence), reading.evidence
            assert reading.budget is not None
            if reading.name in TRUTH:
                u = combine(reading.budget).standard
                assert abs(reading.value - TRUTH[reading.name]) < 2.6 * u, (reading.value, u)
        assert not any(each.output.on for each in on.world.generators.values())
        assert not any(each.on for each in on.world.receiving.noise_sources.values())


def test_what_would_overload_the_receive_port_is_refused_before_it_is_sent() -> None:
    with simulated_bench("simulated_slip") as on:
        on.session.receive.begin(1, CARRIER.hz)
        on.session.receive.send("generator", CARRIER.hz, -10.0)
        with pytest.raises(SafetyStop, match="radio rx1 port"):
            on.session.receive.send("second_generator", CARRIER.hz + 1e6, -6.0)
        assert not on.world.generators["second_generator"].output.on
        settings = find("receiver_gain").settings_model(channel=1, carrier=CARRIER, level=Level(0.0))
        assert any("rated -10 dBm" in text for _, text in find("receiver_gain").misfits(settings, on.bench))


def test_sources_go_off_before_a_transmitter_comes_up() -> None:
    with simulated_bench("simulated_slip") as on:
        on.session.receive.begin(1, CARRIER.hz)
        on.session.receive.send("generator", CARRIER.hz, -30.0)
        on.session.receive.noise("noise_source", True)
        on.session.rf(RfState(channel=1, carrier_hz=CARRIER.hz, attenuation_db=30.0))
        assert not on.world.generators["generator"].output.on
        assert not on.world.receiving.noise_sources["noise_source"].on
        with pytest.raises(SafetyStop, match="not known"):
            on.session.receive.send("generator", CARRIER.hz, -30.0)


def test_a_transmitter_at_a_port_with_sources_is_refused(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, ("port: radio rx1 port", "port: radio rx1 port\n    shares: tx1"))
    state = RfState(channel=1, carrier_hz=CARRIER.hz, attenuation_db=30.0)
    with pytest.raises(SafetyStop, match="would send into generator"):
        refuse_shared_port(bench, state)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("  radio rx1 port: -10 dBm", ""), "ratings do not hold"),
        (("enr: {1 GHz: 15.2 dB, 2 GHz: 15.1 dB, 3 GHz: 15 dB}", ""), "excess noise ratio over frequency"),
        (("      noise_source: {loss", "      noise_sauce: {loss"), "no generator and no noise source"),
        (("port: radio rx1 port", "port: radio rx1 port\n    shares: tx7"), "no transmit path 'tx7'"),
        (("driver: noise_source", "driver: signal_generator"), "only a noise source has `enr`"),
    ],
)
def test_mistakes_in_receive_paths_are_told(tmp_path: Path, change: tuple[str, str], words: str) -> None:
    with pytest.raises(FileProblems) as caught:
        bench_of(tmp_path, change)
    assert any(words in problem.message for problem in caught.value.problems)


def test_a_carrier_outside_the_enr_table_is_refused_before_anything_is_switched(tmp_path: Path) -> None:
    from hilkit.errors import MeasurementError

    bench = bench_of(tmp_path, ("enr: {1 GHz: 15.2 dB, 2 GHz: 15.1 dB, 3 GHz: 15 dB}", "enr: {3 GHz: 15 dB}"))
    settings = find("noise_figure").settings_model(channel=1, carrier=CARRIER)
    with pytest.raises(MeasurementError, match="no ENR at"):
        list(find("noise_figure").misfits(settings, bench))


def test_blocks_of_samples_are_decoded_by_the_order_that_they_name() -> None:
    pairs = np.array([[100, -200], [32767, 1]])
    for form, kind in (("int16le", "<i2"), ("int16be", ">i2")):
        text = base64.b64encode(pairs.astype(kind).tobytes()).decode()
        samples = decoded(text, form, 2, instrument="radio")
        assert np.allclose(samples * 32767, [100 - 200j, 32767 + 1j])


@pytest.mark.parametrize(
    ("text", "form", "count", "words"),
    [
        ("AAAA", "int16le", 4, "16 bytes, and 3 bytes came"),
        ("AAA!", "int16le", 4, "no base64"),
        ("AAAA", "float32", 4, "'float32', which is not known"),
    ],
)
def test_a_bad_block_is_told(text: str, form: str, count: int, words: str) -> None:
    with pytest.raises(ReplyError, match=words):
        decoded(text, form, count, instrument="radio")

"""A bench says what it lacks of what a procedure needs."""

from __future__ import annotations

from pathlib import Path

from hilkit.bench import needs
from hilkit.procedures.contract import Need
from tests.bench.trial import bench_of, changed


def test_a_bench_that_has_everything_lacks_nothing(tmp_path: Path) -> None:
    bench = bench_of(tmp_path)
    for need in (
        Need(instrument_class="signal_analyser", capabilities=("centre", "rbw")),
        Need(instrument_class="step_attenuator", capabilities=("attenuation",)),
        Need(instrument_class="radio", capabilities=("rf", "corrections_state")),
        Need(instrument_class="switch_matrix"),
    ):
        assert needs(bench, need) == []


def test_a_missing_class_is_named_with_what_is_there(tmp_path: Path) -> None:
    assert needs(bench_of(tmp_path), Need(instrument_class="power_meter")) == [
        "bench 'trial bench' has no power meter; it has analyser (signal_analyser), pad (step_attenuator), "
        "relay (switch_matrix)"
    ]


def test_a_capability_that_a_driver_lacks_is_named_with_the_driver(tmp_path: Path) -> None:
    (tmp_path / "drivers").mkdir()
    text = "driver: plain\ninstrument_class: signal_analyser\nbase: signal_analyser\n"
    text += "capabilities: {annotation: null}\n"
    (tmp_path / "drivers" / "plain.yaml").write_text(text, encoding="utf-8")
    bench = bench_of(tmp_path, changed(("driver: signal_analyser", "driver: plain")))
    need = Need(instrument_class="signal_analyser", capabilities=("rbw", "annotation"))
    assert needs(bench, need) == ["analyser has no annotation: its driver plain does not declare it"]

"""What the shipped bench file states about accuracy is true of the profile that plays it.

No source outside: both files belong to this project, and intervals made of figures that are not true would
mean nothing.
"""

from __future__ import annotations

import numpy as np
import pytest

from hilkit.bench import load_bench
from hilkit.bench.accuracy import AccuracyFigure
from hilkit.clock import VirtualClock
from hilkit.files import Lab
from hilkit.sim.noise import fixed_error
from hilkit.sim.path import Branch
from hilkit.sim.profile import load_profile
from hilkit.sim.world import World

LAB = Lab(None)
ATTENUATIONS = [float(db) for db in range(71)]
FILTERS = [multiple * 10.0**power for power in range(2, 7) for multiple in (1, 3)]
RANGES = [(preamplifier, tens) for preamplifier in (False, True) for tens in range(-10, 4)]


@pytest.fixture(scope="module")
def bench():
    return load_bench("simulated_pier", LAB)


@pytest.fixture(scope="module")
def profile():
    return load_profile("simulated_pier", LAB)


def limit(figure: AccuracyFigure | None) -> float:
    assert figure is not None
    return figure.limit


def test_the_analyser_errs_within_its_figures(bench, profile):
    truth, stated = profile.file.analysers["analyser"], bench.instruments["analyser"].figure
    off_ghz = max(abs(hz / 1e9 - 2) for edges in bench.radio.bands_hz for hz in edges)
    assert abs(truth.level_error.db) <= limit(stated("level"))
    assert abs(truth.level_slope_per_ghz.db) * off_ghz <= limit(stated("flatness"))
    assert abs(truth.scale_error_per_10db.db) <= limit(stated("linearity_per_10db"))
    assert truth.repeatability.db <= limit(stated("repeatability"))
    assert truth.intercept.dbm >= bench.instruments["analyser"].accuracy.third_order_intercept.dbm
    assert abs(truth.reference_error.value) <= limit(stated("reference"))
    assert abs(truth.span_error.value) <= limit(stated("span_axis"))
    assert abs(truth.filter_error.value) <= limit(stated("noise_bandwidth"))
    assert abs(profile.file.reference.error.value) <= limit(bench.reference_accuracy)


@pytest.mark.parametrize(
    ("key", "what", "spread", "states"),
    [
        ("attenuation_switching", "attenuation", "attenuation_error_sd", ATTENUATIONS),
        ("rbw_switching", "filter", "filter_level_error_sd", FILTERS),
        ("reference_level", "range", "range_error_sd", RANGES),
    ],
)
def test_every_state_of_the_analyser_errs_within_its_figure(bench, profile, key, what, spread, states):
    sd = getattr(profile.file.analysers["analyser"], spread).db
    errors = [fixed_error(profile.file.seed, "analyser", what, state, sd=sd) for state in states]
    assert max(map(abs, errors)) <= limit(bench.instruments["analyser"].figure(key))


def test_every_setting_of_the_pad_errs_within_its_figure(bench, profile):
    pad = World(profile, VirtualClock()).pads["pad"]
    band_hz = [hz for edges in bench.radio.bands_hz for hz in edges]
    worst_db = max(abs(pad.true_db(float(code), hz) - code) for code in range(64) for hz in band_hz)
    assert worst_db <= limit(bench.instruments["pad"].figure("attenuation"))


@pytest.mark.parametrize("channel", [1, 2])
def test_every_loss_and_match_of_a_path_lies_within_its_figure(bench, profile, channel):
    path = bench.path(channel)
    grid = np.linspace(1.775e9, 2.43e9, 65)
    for truth, element in zip(profile.file.paths[path.name].elements, path.elements, strict=True):
        closed = {"relay": frozenset({truth.close})} if truth.kind == "relay" else {}
        s = Branch((truth,), profile.folder).network(
            grid, pad_loss_db={"pad": np.zeros(len(grid))}, closed=closed
        )
        off_db = -20 * np.log10(np.abs(s[:, 1, 0])) - element.loss.at(grid)
        assert np.abs(off_db).max() <= element.uncertainty_db, element.label
        for place, end in ((0, element.reflection_in), (1, element.reflection_out)):
            assert end is not None
            most = np.array([end.at(hz) for hz in grid])
            assert np.all(np.abs(s[:, place, place]) <= most + 1e-3), element.label


def test_the_ports_at_the_ends_are_matched_as_stated(bench, profile):
    for channel in bench.channels:
        source = bench.path(channel).source
        assert source is not None
        truth = profile.file.radio.channels[str(channel)]
        assert 10 ** (-truth.match.db / 20) <= source.at(2e9)
    load = bench.path(1).load
    assert load is not None
    assert 10 ** (-profile.file.analysers["analyser"].match.db / 20) <= load.at(2e9)

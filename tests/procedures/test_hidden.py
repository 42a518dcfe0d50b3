"""A line that is lost in noise is shown to be no line that the analyser hides, or is not proven."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hilkit.procedures.evidence.hidden import compared, proven_db
from hilkit.readings import Bound
from tests.procedures.evidence_profiles import analyser, channel
from tests.procedures.rig import TONE, by_key, rig

PRODUCTS = ("second_harmonic", "plus_three")
# Noise of -130 dBm/Hz and a tone of -14 dBm: with the narrowest filter, 1 kHz, the floor stands at -86 dBc.
NOISY = analyser(noise_density="-130 dBm/Hz")


def lines(folder, edit, depth: str):
    with rig(folder, edit=edit) as pier:
        pier.bring_up()
        return by_key(pier.run("tone_placement", **TONE, corrections=False, resolve_down_to=depth))


def check(measured):
    return next((each for each in measured.evidence if each.name == "more attenuation"), None)


# Third order of the analyser falls 2 dB in dBc for each dB of attenuation: common practice, and the sheet of
# two generators' products against attenuation that tests/procedures/test_evidence.py repeats.
@pytest.mark.parametrize("step_db", [2.0, 5.0, 10.0])
def test_two_bounds_prove_one_whatever_the_analyser_makes(step_db: float) -> None:
    """All products of the analyser, any size and phase, that keep the sum under both bounds."""
    rng = np.random.default_rng(5)
    first_db, second_db = -100.0, -98.0
    unit = 10 ** (rng.uniform(-120, -70, 400_000) / 20)
    size = 10 ** (rng.uniform(-120, -70, 400_000) / 20)
    own = size * np.exp(1j * rng.uniform(0.9 * np.pi, 1.1 * np.pi, 400_000))
    seen = 20 * np.log10(np.abs([unit + own, unit + own * 10 ** (-step_db / 10)]))
    hidden = (seen[0] <= first_db) & (seen[1] <= second_db)
    highest_db = 20 * np.log10(unit[hidden].max())
    proven = proven_db(first_db, second_db, step_db)
    assert highest_db <= proven
    assert highest_db >= proven - 3, "the bound is not far above what can really hide"


def test_a_bound_near_the_lowest_line_that_matters_is_looked_at_again_and_holds(tmp_path):
    measured = lines(tmp_path, NOISY, "-80 dBc")["second_harmonic", "uncorrected"]
    assert measured.bound is Bound.UPPER
    assert check(measured).held, check(measured)
    assert "does not come out" in check(measured).sentence
    assert measured.confidence == pytest.approx(0.9)
    assert -86 < measured.value < -78


def test_a_bound_that_no_setting_can_prove_is_not_proven(tmp_path):
    found = lines(tmp_path, NOISY, "-120 dBc")
    for name in PRODUCTS:
        measured = found[name, "uncorrected"]
        assert check(measured).held is None
        assert "hides one there: not proven" in check(measured).sentence


def test_a_bound_far_under_what_matters_is_left_alone(tmp_path):
    """To hide a line 10 dB higher the analyser's product would have to match it to a third, in antiphase."""
    found = lines(tmp_path, lambda data: None, "-60 dBc")
    assert found["plus_three", "uncorrected"].bound is Bound.UPPER
    assert check(found["plus_three", "uncorrected"]) is None


def test_a_line_that_comes_out_with_more_attenuation_was_hidden(tmp_path):
    """A product of the unit at 8 dB above the bound, as the analyser would show it once its own is gone."""
    with rig(tmp_path, edit=channel("modulator", square_i=0.01, square_q=-0.008)) as pier:
        pier.bring_up()
        from hilkit.procedures.lines import ToneLines
        from hilkit.procedures.receiver import Receiver
        from hilkit.procedures.tone_placement import TonePlacementSettings, _state

        state = _state(TonePlacementSettings.model_validate(TONE), pier.bench)
        pier.session.select(1)
        pier.session.rf(state)
        tone = ToneLines(
            Receiver(pier.session, state), state, low_hz=1.8125e9, high_hz=1.8725e9, depth_dbc=-60.0
        )
        real = tone.take(strays=False).lines[2]
    assert real.reading.bound is Bound.EXACT
    hidden = replace(
        real,
        relative_dbc=real.relative_dbc - 8.0,
        reading=replace(real.reading, bound=Bound.UPPER, confidence=0.95),
    )
    (*_, told) = compared(hidden, real, 10.0, "the second harmonic").evidence
    assert told.held is False
    assert "the analyser's own product hides it" in told.sentence
    (*_, told) = compared(replace(hidden, relative_dbc=real.relative_dbc), real, 10.0, "it").evidence
    assert told.held, "the same line at the edge of being a bound is nothing new"

"""Two tones, compression, flatness and frequency error against the simulated radio's own signal."""

import math

import pytest

from hilkit.errors import SafetyStop
from hilkit.procedures import find
from hilkit.readings import Bound
from hilkit.safety import RfState
from hilkit.testing import check_procedure, simulated_bench
from tests.procedures.rig import CARRIER, by_key, rig

WHERE = {"channel": 1, "carrier": CARRIER, "attenuation": "0 dB"}
TONES = {**WHERE, "first": "6 MHz", "second": "8 MHz", "drive": "-9 dBFS"}
SINGLE = {**WHERE, "offset": "7.5 MHz"}

RANGE = {
    **WHERE,
    "bandwidth": "20 MHz",
    "full": "nr20",
    "single": "nr20_one_block",
    "single_drive": "-32.3 dBFS",
}


def test_the_range_between_all_blocks_and_one_is_that_of_their_drives(tmp_path):
    """The streams are 20.3 dB apart; the full one is compressed by 0.05 dB or so, the single one is not."""
    with rig(tmp_path) as pier:
        pier.bring_up()
        found = by_key(pier.run("power_dynamic_range", **RANGE))
        assert found["dynamic_range", ""].value == pytest.approx(20.3, abs=0.2)
        assert found["dynamic_range", ""].bound is Bound.EXACT
        assert pier.misfits("power_dynamic_range", **{**RANGE, "single": "nr20"})[0][0] == "single"


def test_the_products_are_those_of_the_radio_and_of_third_order(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        found = by_key(pier.run("intermodulation", **TONES))
        lines = {line.order: line.level_dbm for line in pier.world.truth_port_lines(1)}
        for side, product, near in (("lower", 2, 3), ("upper", 5, 4)):
            reading = found[f"im3_{side}", ""]
            assert reading.bound is Bound.EXACT
            # Orders count in steps of 2 MHz: the tones are 3 and 4, their products 2 and 5.
            assert reading.value == pytest.approx(lines[product] - lines[near], abs=0.3)
            assert found[f"slope_{side}", ""].value == pytest.approx(3.0, abs=0.1)
            truth = lines[near] + (lines[near] - lines[product]) / 2
            assert found[f"oip3_{side}", ""].value == pytest.approx(truth, abs=0.6)
            assert all(each.held for each in found[f"oip3_{side}", ""].evidence)


def test_a_product_that_the_analyser_makes_is_not_the_radios(tmp_path):
    """With an analyser of -10 dBm intercept its own product stands at the first attenuation."""

    def weak(data):
        data["analysers"]["analyser"]["intercept"] = "-10 dBm"

    with rig(tmp_path, edit=weak) as pier:
        pier.bring_up()
        found = by_key(pier.run("intermodulation", **TONES))["im3_lower", ""]
        lines = {line.order: line.level_dbm for line in pier.world.truth_port_lines(1)}
        held = {each.name: each.held for each in found.evidence}["more attenuation"]
        assert not held or found.value == pytest.approx(lines[2] - lines[3], abs=0.6)


def test_a_fifth_order_shows_as_another_slope(tmp_path):
    def fifth(data):
        amplifier = data["radio"]["channels"]["1"]["amplifier"]
        amplifier["fifth_order_intercept"] = "24 dBm"

    with rig(tmp_path, edit=fifth) as pier:
        pier.bring_up()
        found = by_key(pier.run("intermodulation", **{**TONES, "drive": "-6 dBFS"}))
        assert abs(found["slope_lower", ""].value - 3) > 0.5
        doubts = {each.name: each for each in found["oip3_lower", ""].evidence}
        assert doubts["order of the product"].held is False


def test_tones_whose_products_fall_on_other_lines_are_refused(tmp_path):
    with rig(tmp_path) as pier:
        ((setting, sentence),) = pier.misfits(
            "intermodulation", **{**TONES, "first": "-2 MHz", "second": "2 MHz"}
        )
        assert setting == "first"
        assert "image" in sentence
        assert pier.misfits("intermodulation", **{**TONES, "first": "8 MHz"})[0][0] == "second"


def test_two_tones_above_full_scale_are_never_sent(tmp_path):
    with rig(tmp_path) as pier:
        pier.session.select(1)
        state = RfState(
            channel=1,
            carrier_hz=1842.5e6,
            attenuation_db=6.0,
            drive_dbfs=-5.0,
            tone_offset_hz=6e6,
            second_offset_hz=8e6,
        )
        with pytest.raises(SafetyStop, match="exceed full scale together"):
            pier.session.rf(state)


def test_one_decibel_that_is_not_reached_is_a_lower_bound(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        found = by_key(pier.run("compression", **SINGLE))
        assert found["output_p1db", ""].bound is Bound.LOWER
        assert 0.1 < found["compression", ""].value < 0.4


def test_the_compression_point_is_that_of_the_simulated_curve(tmp_path):
    """A cubic with intercept 30 dBm, straight against: 10.64 dB under it (see tests/external)."""

    def bent(data):
        channel = data["radio"]["channels"]["1"]
        channel["modulator"] |= {"cubic_i": 0.0, "cubic_q": 0.0}
        channel["amplifier"] |= {"intercept": "30 dBm", "intercept_phase": "180 deg", "droop": "0 dB"}

    with rig(tmp_path, edit=bent) as pier:
        pier.bring_up()
        found = by_key(pier.run("compression", **SINGLE, step="1 dB", small_signal_range="6 dB"))
        reading = found["output_p1db", ""]
        assert reading.bound is Bound.EXACT
        assert reading.value == pytest.approx(30 - 10.64, abs=0.5)


def test_a_line_through_compressed_points_is_told(tmp_path):
    def bent(data):
        data["radio"]["channels"]["1"]["amplifier"] |= {"intercept": "26 dBm", "intercept_phase": "180 deg"}

    with rig(tmp_path, edit=bent) as pier:
        pier.bring_up()
        settings = {**SINGLE, "from": "-8 dBFS", "small_signal_range": "6 dB"}
        found = by_key(pier.run("compression", **settings))["compression", ""]
        assert {each.name: each.held for each in found.evidence}["small-signal line"] is False


def test_the_frequency_error_is_that_of_the_reference_in_use(tmp_path):
    """The radio on its internal reference is 0.7 ppm off, which the analyser's external one shows."""
    with rig(tmp_path) as pier:
        pier.bring_up()
        locked = by_key(pier.run("frequency_error", **SINGLE))
        assert abs(locked["frequency_error_ppm", ""].value) < 0.02
        pier.session.radio.set_reference("internal")
        free = by_key(pier.run("frequency_error", **SINGLE))
        assert free["frequency_error_ppm", ""].value == pytest.approx(0.7 - 0.002, abs=0.02)
        assert free["frequency_error", ""].value == pytest.approx(0.698e-6 * 1850e6, abs=40)


def test_the_band_is_as_flat_as_the_path_is_known(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        found = pier.run("gain_flatness", **WHERE, bandwidth="20 MHz", points=6)
        flat = by_key(found)["flatness", ""]
        uncertainty = math.sqrt(sum(line.contribution**2 for line in flat.budget.lines))
        assert flat.value < 2 * uncertainty + 0.02
        assert [each.index for each in found if each.name == "gain"] == [-10e6, -6e6, 2e6, 6e6, 10e6]


def sum_of_both(offset_hz: float) -> float:
    """Return the noise in dBc/Hz that the shipped profile gives the radio and its analyser together."""
    radio = 10**-9.8 / (1 + (offset_hz / 60e3) ** 2) + 10**-15.0
    analyser = 10**-10.8 / (1 + (offset_hz / 150e3) ** 2) + 10**-14.8
    return 10 * math.log10(radio + analyser)


def test_the_noise_beside_the_tone_bounds_that_of_the_radio(tmp_path):
    """Every density is at least that of radio and analyser together, and at most 1.5 dB above it (floor)."""
    with rig(tmp_path) as pier:
        pier.bring_up()
        found = pier.run("phase_noise", **SINGLE)
        densities = [each for each in found if each.name == "phase_noise"]
        assert [round(each.index) for each in densities] == [10000, 31623, 100000, 316228, 1000000]
        for each in densities:
            assert each.bound is Bound.UPPER
            assert -0.1 < each.value - sum_of_both(each.index) < 1.5
        whole = by_key(found)
        # Straight lines through five densities: within half a dB of the integral over a fine grid.
        offset = [10e3 * 100 ** (n / 2000) for n in range(2001)]
        power = [10 ** (sum_of_both(hz) / 10) for hz in offset]
        exact = sum(
            (b - a) * (p + q) / 2 for a, b, p, q in zip(offset, offset[1:], power, power[1:], strict=False)
        )
        assert whole["integrated_phase_noise", ""].value == pytest.approx(10 * math.log10(exact), abs=0.8)


def test_a_line_beside_the_tone_is_no_noise(tmp_path):
    def spur(data):
        spurs = data["analysers"]["analyser"]["spurs"]
        spurs.append({"frequency": "1850.1 MHz", "level": "-80 dBm"})

    with rig(tmp_path, edit=spur) as pier:
        pier.bring_up()
        found = {each.index: each for each in pier.run("phase_noise", **SINGLE) if each.index is not None}
        held = {
            hz: {e.name: e.held for e in each.evidence}["no line in the noise"] for hz, each in found.items()
        }
        assert [hz for hz, good in held.items() if not good] == [pytest.approx(100e3)]


@pytest.mark.parametrize(
    ("name", "settings"),
    [
        ("intermodulation", TONES),
        ("compression", SINGLE),
        ("frequency_error", SINGLE),
        ("gain_flatness", {**WHERE, "bandwidth": "20 MHz"}),
        ("phase_noise", SINGLE),
        ("power_dynamic_range", RANGE),
    ],
)
def test_each_does_what_it_declares(name, settings):
    with simulated_bench("simulated_pier") as on:
        procedure = find(name)
        bring_up = find("bring_up")
        given = {"channel": 1, "carrier": CARRIER, "reference": "external"}
        list(bring_up.measure(on.session, bring_up.settings_model.model_validate(given)))
        assert check_procedure(procedure, procedure.settings_model.model_validate(settings), on) == []

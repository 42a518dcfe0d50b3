"""Image and LO leakage of an I/Q modulator: the simulated one by FFT, and what hilkit reads of it at the
analyser.

Image: (1 - 2 g cos p + g^2)/(1 + 2 g cos p + g^2) with g = 10^(gain/20): K. Sankar, "Image Rejection Ratio
with transmit IQ gain/phase imbalance", 2013-01-31. The figures of the table are that formula at the printed
points, 1 dB and 1 degree among them. Leakage: a DC offset (i, q) against a tone of unit magnitude, 10
log10(i^2 + q^2) dBc: common practice, no source.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from hilkit.readings import Bound
from hilkit.sim.modulator import Modulator, Quadrature, modulate
from tests.external.ideal import ideal_bench, measure

# gain in dB, phase in degrees, image in dBc
IMAGE = [
    (0.0, 0.1, -61.183),
    (0.0, 0.5, -47.204),
    (0.0, 1.0, -41.183),
    (0.0, 2.0, -35.162),
    (0.0, 5.0, -27.198),
    (0.01, 0.0, -64.797),
    (0.05, 0.0, -50.818),
    (0.1, 0.0, -44.797),
    (0.5, 0.0, -30.820),
    (1.0, 0.0, -24.806),
    (0.1, 0.5, -42.825),
    (0.1, 1.0, -39.614),
    (0.25, 1.0, -35.479),
    (0.25, 2.0, -32.909),
    (0.5, 1.0, -30.438),
    (0.5, 3.0, -28.200),
    (0.5, 5.0, -25.632),
    (1.0, 1.0, -24.708),
    (1.0, 5.0, -22.829),
    (2.0, 10.0, -16.821),
]
# offset of I and of Q as fractions of the tone, leakage in dBc
LEAKAGE = [
    (0.001, 0.0, -60.00),
    (0.001, 0.001, -56.99),
    (0.01, 0.0, -40.00),
    (0.01, 0.01, -36.99),
    (0.02, 0.01, -33.01),
]
SAMPLES = 64
DRIVE_DBFS = -6
TONE = {"channel": 1, "carrier": "1842.5 MHz", "offset": "7.5 MHz", "attenuation": "6 dB"}


def fft_dbc(multiple: int, state: Quadrature) -> float:
    """Return one line against the tone, by a plain FFT of one period of the tone behind the modulator."""
    tone = np.exp(2j * np.pi * np.arange(SAMPLES) / SAMPLES)
    spectrum = np.abs(np.fft.fft(modulate(tone, Modulator(quadrature=state))))
    return 20 * math.log10(spectrum[multiple % SAMPLES] / spectrum[1])


@pytest.mark.parametrize(("gain_db", "phase_deg", "image_dbc"), IMAGE)
def test_the_simulated_modulator_has_the_image_of_its_imbalance(
    gain_db: float, phase_deg: float, image_dbc: float
) -> None:
    for sign in (1, -1):
        state = Quadrature(gain_db=gain_db, phase_deg=sign * phase_deg)
        assert fft_dbc(-1, state) == pytest.approx(image_dbc, abs=6e-4)


@pytest.mark.parametrize(("offset_i", "offset_q", "leakage_dbc"), LEAKAGE)
def test_the_simulated_modulator_leaks_what_its_offset_says(
    offset_i: float, offset_q: float, leakage_dbc: float
) -> None:
    assert fft_dbc(0, Quadrature(offset=complex(offset_i, offset_q))) == pytest.approx(leakage_dbc, abs=6e-3)


def read_line(folder: Path, name: str, **modulator: object) -> float:
    """Return what a whole tone placement on an otherwise perfect bench reads, in dBc."""
    with ideal_bench(folder, modulator=modulator) as bench:
        measure(bench, "bring_up", channel=1, carrier="1842.5 MHz", reference="external")
        readings = measure(bench, "tone_placement", **TONE, drive=f"{DRIVE_DBFS} dBFS")
    (found,) = (each for each in readings if (each.name, each.phase) == (name, "uncorrected"))
    assert found.bound is Bound.EXACT
    return found.value


# 0.1 dB: these lines stand 30 dB and more above the floor, where the scatter of the averages is below 0.03
# dB.
@pytest.mark.parametrize(("gain_db", "phase_deg", "image_dbc"), [IMAGE[i] for i in (0, 5, 11, 13, 17)])
def test_hilkit_reads_the_image_of_the_table(
    tmp_path: Path, gain_db: float, phase_deg: float, image_dbc: float
) -> None:
    read = read_line(tmp_path, "image", gain=f"{gain_db} dB", phase=f"{phase_deg} deg")
    assert read == pytest.approx(image_dbc, abs=0.1)


@pytest.mark.parametrize(("offset_i", "offset_q", "leakage_dbc"), [LEAKAGE[i] for i in (0, 1, 4)])
def test_hilkit_reads_the_leakage_of_the_table(
    tmp_path: Path, offset_i: float, offset_q: float, leakage_dbc: float
) -> None:
    # A profile gives the offset as a fraction of full scale, the table as one of the tone.
    drive = 10 ** (DRIVE_DBFS / 20)
    read = read_line(tmp_path, "lo_leakage", offset_i=offset_i * drive, offset_q=offset_q * drive)
    assert read == pytest.approx(leakage_dbc, abs=0.1)

"""What complex samples of a modulated carrier hold: error vector, frequency, origin offset, power."""

from hilkit.analysis.modulation.evm import ErrorVector, error_vector, evm_db, normalised_evm, origin_offset_db
from hilkit.analysis.modulation.grid import KnownGrid, constellation, known_grid, scrambling
from hilkit.analysis.modulation.numerology import Numerology, numerology
from hilkit.analysis.modulation.ofdm import OfdmQuality, demodulate_ofdm
from hilkit.analysis.modulation.power import (
    ccdf,
    ccdf_points_db,
    gaussian_ccdf_point_db,
    papr_db,
    power_against_time,
)
from hilkit.analysis.modulation.pulse import root_raised_cosine, root_raised_cosine_response
from hilkit.analysis.modulation.qam import QamQuality, demodulate_qam

__all__ = [
    "ErrorVector",
    "KnownGrid",
    "Numerology",
    "OfdmQuality",
    "QamQuality",
    "ccdf",
    "ccdf_points_db",
    "constellation",
    "demodulate_ofdm",
    "demodulate_qam",
    "error_vector",
    "evm_db",
    "gaussian_ccdf_point_db",
    "known_grid",
    "normalised_evm",
    "numerology",
    "origin_offset_db",
    "papr_db",
    "power_against_time",
    "root_raised_cosine",
    "root_raised_cosine_response",
    "scrambling",
]

"""Numbers out of traces: lines, floors, powers, frequencies, steps and settling. Pure functions of arrays."""

from hilkit.analysis.adjacent import Neighbour, channel_beside, neighbours, rrc_power_response
from hilkit.analysis.averages import (
    line_sd_db,
    noise_sd_db,
    rbw_for_floor_hz,
    samples_for_line,
    samples_for_noise,
    sweep_time_s,
)
from hilkit.analysis.emissions import MaskSegment, Nearest, emission_levels_dbm, nearest_to_mask
from hilkit.analysis.frequency import LineCentre, line_centre
from hilkit.analysis.lines import LineReading, LineShape, line_shape, read_line, stray_line_hz
from hilkit.analysis.occupied import Occupied, occupied_bandwidth, x_db_bandwidth
from hilkit.analysis.power import BandPower, band_power, dbm_to_w, density_dbm_hz, power_sum_dbm, w_to_dbm
from hilkit.analysis.products import (
    LINES,
    MECHANISMS,
    Mechanism,
    amplifier_partner,
    collisions,
    explained_by,
    line_frequencies_hz,
    line_frequency_hz,
    off_band,
)
from hilkit.analysis.settling import settled_after
from hilkit.analysis.spectra import AVERAGING_BIAS_DB, Floor, noise_floor, thermal_noise_dbm
from hilkit.analysis.spurious import candidates_hz, highest_hz, outside
from hilkit.analysis.steps import (
    cumulative_errors_db,
    join_segments,
    range_covered_db,
    smallest_step_db,
    step_errors_db,
)

__all__ = [
    "AVERAGING_BIAS_DB",
    "LINES",
    "MECHANISMS",
    "BandPower",
    "Floor",
    "LineCentre",
    "LineReading",
    "LineShape",
    "MaskSegment",
    "Mechanism",
    "Nearest",
    "Neighbour",
    "Occupied",
    "amplifier_partner",
    "band_power",
    "candidates_hz",
    "channel_beside",
    "collisions",
    "cumulative_errors_db",
    "dbm_to_w",
    "density_dbm_hz",
    "emission_levels_dbm",
    "explained_by",
    "highest_hz",
    "join_segments",
    "line_centre",
    "line_frequencies_hz",
    "line_frequency_hz",
    "line_sd_db",
    "line_shape",
    "nearest_to_mask",
    "neighbours",
    "noise_floor",
    "noise_sd_db",
    "occupied_bandwidth",
    "off_band",
    "outside",
    "power_sum_dbm",
    "range_covered_db",
    "rbw_for_floor_hz",
    "read_line",
    "rrc_power_response",
    "samples_for_line",
    "samples_for_noise",
    "settled_after",
    "smallest_step_db",
    "step_errors_db",
    "stray_line_hz",
    "sweep_time_s",
    "thermal_noise_dbm",
    "w_to_dbm",
    "x_db_bandwidth",
]

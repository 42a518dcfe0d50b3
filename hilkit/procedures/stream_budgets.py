"""Uncertainty budgets of what is read of a modulated stream: widths in Hz, powers beside the carrier."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from statistics import NormalDist
from typing import TYPE_CHECKING

from hilkit.analysis.averages import DB_PER_NEPER
from hilkit.bench.path_budget import missing_line
from hilkit.procedures.budgets import scatter_line
from hilkit.readings import Budget, BudgetLine

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.readings import Trace

__all__ = ["RIPPLE_DB", "WIDENED_RBW", "smeared_rbw", "width_budget", "with_left_over"]

RIPPLE_DB = 0.5
"""How far path and analyser may change over a channel, in dB: common practice, no source."""

WIDENED_RBW = 0.25
"""A filter smears each end of a signal over its own width and moves the limit outwards: by a tenth of it for
a filter of half a percent of the signal, by a sixth for one of 1.5 % (both simulated, flat bands)."""


def width_budget(
    bench: Bench,
    trace: Trace,
    *,
    width_hz: float,
    at_hz: float,
    sd_hz: float,
    moved_by_ripple_hz: float,
    widened_rbw: float = WIDENED_RBW,
) -> Budget:
    """Return the budget of a distance ``width_hz`` on the axis of ``trace``, in Hz.

    ``at_hz`` is what the error of the reference acts on: the width itself, or the carrier where the distance
    is that from the carrier. ``widened_rbw`` is how many of its widths the filter may add.
    ``moved_by_ripple_hz`` is how far a tilt of the level by a neper moves it.
    """
    lines = [*_axis(bench, width_hz, at_hz)]
    if widened_rbw > 0:
        half_hz = float(f"{widened_rbw * trace.rbw_hz:.2g}")
        source = f"{widened_rbw:.2g} of the filter of {trace.rbw_hz / 1e3:g} kHz"
        lines.append(BudgetLine.from_half_width("width of the filter", half_hz, unit="Hz", source=source))
    if moved_by_ripple_hz > 0:
        half_hz = float(f"{RIPPLE_DB / DB_PER_NEPER * moved_by_ripple_hz:.2g}")
        source = f"{RIPPLE_DB:g} dB from one end to the other"
        lines.append(BudgetLine.from_half_width("ripple over the signal", half_hz, unit="Hz", source=source))
    freedom = max(1.0, trace.samples_per_point * len(trace.level_dbm) / 100)
    lines.append(
        scatter_line(
            "noise",
            sd_hz,
            unit="Hz",
            freedom=freedom,
            source=f"{trace.samples_per_point:.3g} samples a point",
        )
    )
    return bench.budget("Hz", lines)


def smeared_rbw(x_db: float) -> float:
    """Return by how many of its widths a Gaussian filter may widen the x dB bandwidth of a steep signal.

    An edge becomes the integral of the filter, whose standard deviation is its -3 dB width over 2.355; it is
    x dB down where so much of a normal distribution is left.
    """
    deviations = NormalDist().inv_cdf(1 - 10 ** (-x_db / 10))
    return 2 * max(deviations, 0.5) / (2 * math.sqrt(2 * math.log(2)))


def _axis(bench: Bench, width_hz: float, at_hz: float) -> Iterator[BudgetLine]:
    analyser = next(iter(bench.of_class("signal_analyser")), None)
    house = bench.reference == "external"
    figure = bench.reference_accuracy if house else analyser.figure("reference") if analyser else None
    name = "house reference" if house else "analyser reference"
    if figure is None:
        key = "reference_accuracy" if house else "reference accuracy of the analyser"
        yield missing_line(name, f"no {key} in the bench file", unit="1", shared=name)
    else:
        yield figure.line(name, sensitivity=at_hz, shared=name)
    axis = analyser.figure("span_axis") if analyser else None
    if axis is None:
        yield missing_line("axis of the span", "no span_axis accuracy in the bench file", unit="1")
    else:
        yield axis.line("axis of the span", sensitivity=float(f"{width_hz:.3g}"))


def with_left_over(budget: Budget, rest_db: float, source: str) -> Budget:
    """Return a budget in decibels with a line for what the analyser's own product may have left, +-
    ``rest_db``."""
    half_db = float(f"{rest_db:.2g}")
    if half_db <= 0:
        return budget
    line = BudgetLine.from_half_width("analyser's own product", half_db, unit="dB", source=source)
    return replace(budget, lines=(*budget.lines, line))

"""All procedures by name: those that come with hilkit, and those that an installed package adds.

A package adds one with an entry point of the group ``hilkit.procedures`` that names its class. A name that is
taken already is refused: a plan must not mean something else because a package was installed.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from types import MappingProxyType
from typing import Any

from hilkit.errors import UsageError
from hilkit.procedures.adjacent_leakage import AdjacentLeakage
from hilkit.procedures.bring_up import BringUp
from hilkit.procedures.channel_power import ChannelPower
from hilkit.procedures.compression import Compression
from hilkit.procedures.contract import Procedure
from hilkit.procedures.emission_mask import EmissionMask
from hilkit.procedures.frequency_error import FrequencyError
from hilkit.procedures.gain_flatness import GainFlatness
from hilkit.procedures.intermodulation import Intermodulation
from hilkit.procedures.noise_figure import NoiseFigure
from hilkit.procedures.occupied_bandwidth import OccupiedBandwidth
from hilkit.procedures.path_calibration import PathCalibration
from hilkit.procedures.path_verification import PathVerification
from hilkit.procedures.phase_noise import PhaseNoise
from hilkit.procedures.power_dynamic_range import PowerDynamicRange
from hilkit.procedures.power_sweep import PowerSweep
from hilkit.procedures.receiver_gain import ReceiverGain
from hilkit.procedures.receiver_intercept import ReceiverIntercept
from hilkit.procedures.receiver_responses import ReceiverResponses
from hilkit.procedures.retune import Retune
from hilkit.procedures.sensitivity import Sensitivity
from hilkit.procedures.spurious_search import SpuriousSearch
from hilkit.procedures.tone_placement import TonePlacement

__all__ = ["ENTRY_POINT_GROUP", "PROCEDURES", "find", "names"]

ENTRY_POINT_GROUP = "hilkit.procedures"

PROCEDURES: Mapping[str, Procedure[Any]] = MappingProxyType(
    {
        each.name: each()
        for each in (
            BringUp,
            TonePlacement,
            PowerSweep,
            ChannelPower,
            OccupiedBandwidth,
            AdjacentLeakage,
            EmissionMask,
            SpuriousSearch,
            Retune,
            Intermodulation,
            Compression,
            FrequencyError,
            GainFlatness,
            PhaseNoise,
            PowerDynamicRange,
            PathCalibration,
            PathVerification,
            NoiseFigure,
            ReceiverGain,
            ReceiverIntercept,
            ReceiverResponses,
            Sensitivity,
        )
    }
)
"""The procedures that come with hilkit."""


def find(name: str) -> Procedure[Any]:
    """Return the procedure called ``name``; ``UsageError`` with the names that exist for any other."""
    known = _known()
    if name not in known:
        near = difflib.get_close_matches(name, known, n=1)
        raise UsageError(
            f"there is no procedure {name!r}; known are {', '.join(known)}",
            next_step=f"did you mean {near[0]}?" if near else "",
        )
    return known[name]


def names() -> tuple[str, ...]:
    """Return the names of all procedures, those of hilkit first."""
    return tuple(_known())


@cache
def _known() -> Mapping[str, Procedure[Any]]:
    known = dict(PROCEDURES)
    for point in entry_points(group=ENTRY_POINT_GROUP):
        added = _load(point)
        if added.name in known:
            raise UsageError(
                f"the package behind the entry point {point.name} brings a procedure {added.name!r}, a "
                "name in use",
                next_step="remove the package, or give its procedure a name of its own",
            )
        known[added.name] = added
    return MappingProxyType(known)


def _load(point: EntryPoint) -> Procedure[Any]:
    try:
        loaded = point.load()
    except Exception as error:
        raise UsageError(
            f"the entry point {point.name} of {ENTRY_POINT_GROUP} ({point.value}) does not load: {error}",
            next_step="repair or remove the package that brings it",
        ) from error
    if not (isinstance(loaded, type) and issubclass(loaded, Procedure)):
        raise UsageError(
            f"the entry point {point.name} of {ENTRY_POINT_GROUP} ({point.value}) is no Procedure class"
        )
    return loaded()

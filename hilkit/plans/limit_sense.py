"""Limits that can be read, but can hardly be meant."""

from __future__ import annotations

from collections.abc import Iterator

from hilkit.judgement import Limit, LimitFile
from hilkit.readings import ReadingSpec

__all__ = ["DEEPEST_DBC", "doubts"]

DEEPEST_DBC = -130.0
"""Lowest line relative to a tone that any analyser can be expected to read (common practice, no source)."""

_ZERO_IS_IDEAL = ("error", "drift", "change", "difference")
"""Last words of names of readings that are a distance from what they should be."""


def doubts(file: LimitFile, limit: Limit, spec: ReadingSpec) -> Iterator[tuple[str, str, str]]:
    """Yield key, message and next step for what is more likely a slip than meant.

    A distance is written without ``nominal`` only where zero is what the reading should be. The upper limit
    of a line relative to a tone or carrier lies under it (both common practice, no source).
    """
    if limit.reference is not None:
        return
    if limit.nominal is not None and file.nominal is None and not _zero_is_ideal(spec):
        zero = "0" if spec.unit == "1" else f"0 {spec.unit}"
        yield (
            "within",
            f"{spec.name} is no error or difference: the value to be met is missing",
            f"add nominal: the value in {'plain numbers' if spec.unit == '1' else spec.unit}; "
            f"nominal: {zero} if zero is meant",
        )
    elif spec.unit == "dBc" and limit.high is not None and limit.high < DEEPEST_DBC:
        message = f"no analyser reads {spec.name} down to {limit.high:g} dBc"
        yield "max", message, f"set a limit of {DEEPEST_DBC:g} dBc or more"
    elif spec.unit == "dBc" and limit.high is not None and limit.high > 0:
        key = "max" if file.max is not None else "within"
        hint = f"write max: -{limit.high:g} dBc" if key == "max" else "write a nominal below 0 dBc"
        yield key, f"{limit.high:g} dBc would let {spec.name} be above what it is compared with", hint


def _zero_is_ideal(spec: ReadingSpec) -> bool:
    return spec.unit == "dB" or spec.name.rsplit("_", 1)[-1] in _ZERO_IS_IDEAL

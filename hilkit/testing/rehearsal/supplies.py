"""The simulated supplies of a rehearsed bench: outputs that feed what the bench file says, as it says."""

from __future__ import annotations

from typing import Any

from hilkit.bench import Bench, InstrumentSpec

__all__ = ["radio_draw", "supply_content"]

_RADIO = "radio"
_OUTPUTS = 8
_OF_LIMIT = 0.4
"""Part of its current limit that a load takes where nobody has said how much it takes."""


def supply_content(bench: Bench, spec: InstrumentSpec) -> dict[str, Any]:
    """Return the profile of a supply: its outputs are off until somebody switches them on.

    An output of which only an interlock speaks is on from the start, as somebody else's.
    """
    outputs: dict[str, dict[str, Any]] = {str(number): {} for number in range(1, _OUTPUTS + 1)}
    for interlock in bench.interlocks.values():
        if interlock.instrument == spec.name and interlock.read in ("current", "voltage"):
            number = 1 if interlock.output is None else interlock.output
            volts = _middle(_window(bench, spec.name, number, "voltage"), 12.0)
            amperes = _middle(_window(bench, spec.name, number, "current"), 0.5)
            outputs[str(number)] = {
                "on": True,
                "voltage": f"{volts:g} V",
                "draw": f"{amperes:g} A",
                "current_limit": f"{max(1.0, 2 * amperes):g} A",
            }
    fed = _feeding(bench)
    for rail in bench.rails:
        if rail.instrument != spec.name:
            continue
        key = str(rail.output)
        if fed is not None and (rail.instrument, rail.output) == fed:
            outputs[key] = {"feeds": _RADIO}
        else:
            amperes = _middle(_window(bench, spec.name, rail.output, "current"), _OF_LIMIT * rail.limit_a)
            outputs[key] = {"draw": f"{amperes:g} A"}
    highest_v = max([60.0, *(rail.voltage_v for rail in bench.rails)])
    return {
        "highest": f"{highest_v:g} V",
        "highest_current": "100 A",
        "rise_time": f"{spec.dialect.settling_s / 2:g} s",
        "outputs": outputs,
    }


def radio_draw(bench: Bench) -> dict[str, str]:
    """Return what the radio takes from the output that feeds it: within all windows, with RF and without."""
    fed = _feeding(bench)
    if fed is None:
        return {}
    rail = next(each for each in bench.rails if (each.instrument, each.output) == fed)
    low, high = _window(bench, *fed, "current") or (0.0, 2 * _OF_LIMIT * rail.limit_a)
    width, channels = high - low, max(1, len(bench.channels))
    return {
        "lowest": f"{rail.voltage_v / 2:g} V",
        "idle": f"{low + 0.3 * width:g} A",
        "rf_on": f"{0.2 * width / channels:g} A",
        "full_output": f"{0.2 * width / channels:g} A",
    }


def _feeding(bench: Bench) -> tuple[str, int] | None:
    """Return the output that brings the radio to life: of several the last, when all are there."""
    found = [(rail.instrument, rail.output) for rail in bench.rails if rail.feeds == _RADIO]
    return found[-1] if found else None


def _window(bench: Bench, instrument: str, output: int, read: str) -> tuple[float, float] | None:
    """Return the values that rails and interlocks allow together, ``None`` where nobody says anything."""
    lows, highs = [], []
    for rail in bench.rails:
        if (rail.instrument, rail.output) == (instrument, output) and rail.current_a and read == "current":
            lows.append(rail.current_a[0])
            highs.append(rail.current_a[1])
    for interlock in bench.interlocks.values():
        same = interlock.instrument == instrument and interlock.read == read
        if same and (interlock.output or 1) == output:
            lows += [interlock.low] if interlock.low is not None else []
            highs += [interlock.high] if interlock.high is not None else []
    if not lows and not highs:
        return None
    low = max(lows, default=0.0)
    return low, min(highs, default=2 * low + 1.0)


def _middle(window: tuple[float, float] | None, otherwise: float) -> float:
    return otherwise if window is None else (window[0] + window[1]) / 2

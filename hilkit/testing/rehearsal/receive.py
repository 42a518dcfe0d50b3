"""Receivers, receive paths and noise sources of a rehearsed bench, as its file says that they are."""

from __future__ import annotations

from typing import Any

import numpy as np

from hilkit.bench import Bench, InstrumentSpec

__all__ = ["noise_source_content", "receive_content", "receiver_content"]

_POINTS = 41
_IMPERFECT = {"gain": "0.05 dB", "phase": "0.3 deg", "offset_i": 0.001, "offset_q": -0.001}


def receiver_content(bench: Bench, channel: int) -> dict[str, Any]:
    """Return a good receiver for a channel that has a receive path; its full scale lies under the rating."""
    for path in bench.receive_paths.values():
        if path.channel == channel:
            full_scale = bench.ratings[path.port] - bench.margin_db - 8
            receiver = {"full_scale": f"{full_scale:g} dBm", "match": "100 dB", **_IMPERFECT}
            return {"receiver": receiver}
    return {}


def receive_content(bench: Bench) -> dict[str, Any]:
    """Return the receive paths with their losses as the bench file has them."""
    found = {}
    for path in bench.receive_paths.values():
        inputs = {}
        for source, lead in path.inputs.items():
            low, high = lead.coverage_hz
            low, high = max(low, 1e6), min(high, 20e9)
            grid = sorted(
                {*np.linspace(low, high, _POINTS), *_inside(lead.elements[0].loss.grid_hz, low, high)}
            )
            losses = lead.losses_db(np.array(grid))
            pairs = zip(grid, losses, strict=True)
            inputs[source] = {f"{hz:.0f} Hz": f"{db:.6f} dB" for hz, db in pairs}
        found[path.name] = {"channel": path.channel, "inputs": inputs}
    return found


def _inside(grid_hz: Any, low: float, high: float) -> list[float]:
    return [float(hz) for hz in grid_hz if low <= hz <= high]


def noise_source_content(bench: Bench, spec: InstrumentSpec) -> dict[str, Any]:
    """Return a noise source with the ENR of the bench file."""
    return {
        "enr": {f"{hz:.0f} Hz": f"{db:g} dB" for hz, db in spec.enr},
        "settle_time": f"{spec.dialect.settling_s:g} s",
        "match": "100 dB",
    }

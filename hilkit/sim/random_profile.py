"""Plausible simulated benches drawn at random, for tests that must recover what they did not know."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from hilkit.sim.profile import ProfileFile

__all__ = ["random_profile"]

DRIVE_DBFS = -6.0
"""Level of the tone for which the product lines are drawn, in dBFS."""


def random_profile(rng: np.random.Generator) -> ProfileFile:
    """Return a bench of one analyser, pad, relay and two transmit channels.

    With the corrections settled and a tone at -6 dBFS, image and LO leakage lie between -45 and -65 dBc and
    the third harmonic between -45 and -65 dBc, before the amplifier moves them. Errors per code of the
    transmit attenuator and of the pad have standard deviations of 0.1 dB. The same state of ``rng`` gives the
    same bench.
    """
    return ProfileFile.model_validate(
        {
            "profile": f"random bench {rng.integers(1_000_000)}",
            "seed": int(rng.integers(1, 2**31)),
            "reference": {"error": f"{rng.uniform(-5, 5):.3f} ppb"},
            "radio": _radio(rng),
            "analysers": {"analyser": _analyser(rng)},
            "pads": {"pad": _pad()},
            "relays": {"relay": _relay()},
            "paths": {f"tx{channel}": _path(rng, channel) for channel in (1, 2)},
        }
    )


def _radio(rng: np.random.Generator) -> dict[str, Any]:
    return {
        "resource": "TCPIP0::127.0.0.1::5100::SOCKET",
        "identity": {"model": "PH2-220", "serial": f"PH2-{rng.integers(1_000_000):06d}", "build": "4.2.0"},
        "bands": [{"low": "1805 MHz", "high": "1880 MHz"}, {"low": "2300 MHz", "high": "2400 MHz"}],
        "internal_error": f"{rng.uniform(-1, 1):.4f} ppm",
        "calibration_time": f"{rng.uniform(0.2, 0.8):.3f} s",
        "waveforms": {"nr20": {"occupied": "19.08 MHz", "edge": "300 kHz"}},
        "channels": {"1": _channel(rng), "2": _channel(rng)},
    }


def _channel(rng: np.random.Generator) -> dict[str, Any]:
    bend = 4 * _size(rng, -65, -45) / 10 ** (DRIVE_DBFS / 10)
    return {
        "modulator": {
            "raw": _quadrature(rng, -28, -22),
            "calibrated": _quadrature(rng, -42, -36),
            "corrected": _quadrature(rng, -65, -45),
            "early_offset_i": rng.normal(0, 2e-4),
            "early_offset_q": rng.normal(0, 2e-4),
            "square_i": rng.normal(0, 4e-4),
            "square_q": rng.normal(0, 4e-4),
            "cubic_i": -bend * rng.uniform(0.93, 1.07),
            "cubic_q": -bend * rng.uniform(0.93, 1.07),
        },
        "attenuator": {"error_sd": "0.1 dB", "error_bound": "0.3 dB"},
        "amplifier": {
            "full_scale": f"{rng.uniform(22.5, 24):.3f} dBm",
            "intercept": f"{rng.uniform(38, 44):.2f} dBm",
            "intercept_phase": f"{rng.uniform(130, 230):.1f} deg",
            "noise_density": "-150 dBm/Hz",
            "droop": f"{rng.uniform(0, 0.005):.4f} dB",
        },
        "synthesiser": {
            "lock_time": f"{rng.uniform(20, 150):.1f} ms",
            "plateau": f"{rng.uniform(-103, -97):.1f} dBc/Hz",
            "corner": "60 kHz",
            "far": "-150 dBc/Hz",
        },
        "corrections": {
            "settle_time": f"{rng.uniform(0.5, 2.5):.3f} s",
            "lowest_level": "-15 dBm",
            "worst_image": "-32 dBc",
        },
        "leak": f"{rng.uniform(-90, -75):.1f} dBm",
        "leak_phase": _angle(rng),
        "off_residue": "-90 dBm",
        "crosstalk": f"{rng.uniform(60, 75):.1f} dB",
        **_match(rng, 24, 30),
    }


def _quadrature(rng: np.random.Generator, low_dbc: float, high_dbc: float) -> dict[str, Any]:
    """Imbalance and offset whose image and carrier lie about there; the truth of the chain says where."""
    image, carrier = (
        2 * _size(rng, low_dbc, high_dbc),
        _size(rng, low_dbc, high_dbc) * 10 ** (DRIVE_DBFS / 20),
    )
    turn, side = rng.uniform(0, 2 * math.pi, size=2)
    return {
        "gain": f"{20 / math.log(10) * image * math.cos(turn):.6f} dB",
        "phase": f"{math.degrees(image * math.sin(turn)):.6f} deg",
        "offset_i": carrier * math.cos(side),
        "offset_q": carrier * math.sin(side),
    }


def _analyser(rng: np.random.Generator) -> dict[str, Any]:
    return {
        "resource": "TCPIP0::127.0.0.1::5025::SOCKET",
        "identity": {"maker": "Bench Lab", "model": "SA7000", "serial": f"SA-{rng.integers(100_000):05d}"},
        "noise_density": f"{rng.uniform(-154, -148):.2f} dBm/Hz",
        "noise_density_preamplified": "-163 dBm/Hz",
        "intercept": f"{rng.uniform(13, 18):.2f} dBm",
        "intercept_phase": _angle(rng),
        "phase_noise": {"density": "-108 dBc/Hz", "corner": "150 kHz", "far": "-148 dBc/Hz"},
        "filter_shape": str(rng.choice(["gaussian", "four_pole"])),
        "filter_error": f"{rng.uniform(-3, 3):.3f} %",
        "reference_error": f"{rng.uniform(-0.5, 0.5):.4f} ppm",
        "span_error": f"{rng.uniform(-0.1, 0.1):.4f} %",
        "level_error": f"{rng.uniform(-0.15, 0.15):.4f} dB",
        "attenuation_error_sd": "0.04 dB",
        "filter_level_error_sd": "0.03 dB",
        "range_error_sd": "0.03 dB",
        "scale_error_per_10db": f"{rng.uniform(-0.004, 0.004):.5f} dB",
        **_match(rng, 24, 32),
    }


def _pad() -> dict[str, Any]:
    return {
        "resource": "TCPIP0::127.0.0.1::5026::SOCKET",
        "identity": {"maker": "Bench Lab", "model": "AT63", "serial": "AT-0092"},
        "high": "63 dB",
        "step": "1 dB",
        "error_sd": "0.1 dB",
        "error_slope_sd_per_ghz": "0.05 dB",
    }


def _relay() -> dict[str, Any]:
    return {
        "resource": "TCPIP0::127.0.0.1::5027::SOCKET",
        "identity": {"maker": "Bench Lab", "model": "RS8", "serial": "RS-0315"},
        "channels": [101, 102],
    }


def _path(rng: np.random.Generator, channel: int) -> dict[str, Any]:
    elements: list[dict[str, Any]] = [
        {"kind": "coupler", "loss": {"1.7 GHz": _loss(rng, 20, 0.4), "2.5 GHz": _loss(rng, 19.8, 0.4)}},
        {"kind": "relay", "relay": "relay", "close": 100 + channel, "loss": _loss(rng, 0.35, 0.1)},
        {"kind": "pad", "loss": _loss(rng, 3, 0.1)},
        {"kind": "step_attenuator", "pad": "pad", "loss": _loss(rng, 1.7, 0.2)},
        {"kind": "cable", "conductor": _loss(rng, 0.55, 0.1), "dielectric": "0.06 dB"},
    ]
    for element in elements:
        element.update(_match(rng, 28, 36), delay=f"{rng.uniform(0.1, 1):.3f} ns")
    return {"channel": channel, "analyser": "analyser", "elements": elements}


def _loss(rng: np.random.Generator, nominal_db: float, half_width_db: float) -> str:
    return f"{nominal_db + rng.uniform(-half_width_db, half_width_db):.4f} dB"


def _match(rng: np.random.Generator, low_db: float, high_db: float) -> dict[str, str]:
    return {"match": f"{rng.uniform(low_db, high_db):.2f} dB", "match_phase": _angle(rng)}


def _angle(rng: np.random.Generator) -> str:
    return f"{rng.uniform(0, 360):.1f} deg"


def _size(rng: np.random.Generator, low_db: float, high_db: float) -> float:
    return float(10 ** (rng.uniform(low_db, high_db) / 20))

"""Benches that provoke one kind of self-check each: the shipped profile or bench with one thing changed.

``FAILED`` and ``MISSING`` say for each kind which bench makes it fail or be impossible, what is run there, on
which reading it shows and with which words. Kinds that are always possible have no entry in ``MISSING``.
``FAILED_TOO`` has further readings on which a kind must show; of a series its last point.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from tests.procedures.rig import CARRIER, TONE, Rig

__all__ = ["FAILED", "FAILED_TOO", "MISSING", "SINGLE", "TONES", "Case"]

Data = dict[str, Any]


def _nothing(_: Any) -> None:
    return None


@dataclass(frozen=True, kw_only=True)
class Case:
    """A changed bench, what is run on it, where the check shows, and the words of its sentence.

    ``edit`` changes the profile, ``bench`` texts of the bench file, ``without`` drops capabilities of the
    analyser's driver; ``between`` is done to the running bench once the reading ``after`` has come;
    ``lonely`` is a radio without reference.
    """

    words: str
    reading: tuple[str, str]
    edit: Callable[[Data], None] = _nothing
    bench: tuple[tuple[str, str], ...] = ()
    without: tuple[str, ...] = ()
    procedure: str = "tone_placement"
    settings: dict[str, str] = field(default_factory=lambda: dict(TONE, corrections="false"))
    after: str = ""
    between: Callable[[Rig], None] = _nothing
    lonely: bool = False


def analyser(**changes: Any) -> Callable[[Data], None]:
    """Return an edit of the simulated analyser."""
    return lambda data: data["analysers"]["analyser"].update(changes)


def channel(part: str, **changes: Any) -> Callable[[Data], None]:
    """Return an edit of a part of channel 1."""
    return lambda data: data["radio"]["channels"]["1"][part].update(changes)


def inverted(data: Data) -> None:
    data["radio"]["channels"]["1"]["inverted"] = True


def no_reference(data: Data) -> None:
    data["reference"]["present"] = False


def lose_the_reference(rig: Rig) -> None:
    rig.world.reference_present["analyser"] = False


CORRECTED = dict(TONE)
SWEEP = {
    "channel": 1,
    "carrier": CARRIER,
    "offset": "7.5 MHz",
    "from": "0 dB",
    "to": "10 dB",
    "step": "2 dB",
    "pad": "10 dB",
}
DEEP = dict(TONE, corrections="false", resolve_down_to="-75 dBc")
FULL = {"channel": 1, "carrier": CARRIER, "attenuation": "0 dB"}
TONES = {**FULL, "first": "6 MHz", "second": "8 MHz", "drive": "-9 dBFS"}
SINGLE = {**FULL, "offset": "7.5 MHz"}

FAILED: dict[str, Case] = {
    "overload": Case(
        edit=analyser(mixer_overload="-40 dBm"),
        reading=("image", "uncorrected"),
        words="the analyser's input is overloaded",
    ),
    "calibrated sweep": Case(
        edit=analyser(sweep_factor=100),
        reading=("image", "uncorrected"),
        words="the sweep is too fast for its filter",
    ),
    "reference lock": Case(
        edit=no_reference,
        lonely=True,
        reading=("tone_frequency_error", "uncorrected"),
        words="the analyser's reference is not locked",
    ),
    "reference held": Case(
        after="tone_level",
        between=lose_the_reference,
        settings=dict(TONE, channel="1"),
        reading=("image", "corrected"),
        words="reference did not hold",
    ),
    "sideband": Case(
        edit=inverted,
        reading=("image", "uncorrected"),
        words="wrong side of the carrier",
    ),
    "predicted level": Case(
        bench=(("max_level: 24 dBm", "max_level: 20 dBm"),),
        reading=("tone_level", "uncorrected"),
        words="above what the bench file says",
    ),
    "distance to the floor": Case(
        edit=analyser(noise_density="-95 dBm/Hz"),
        procedure="power_sweep",
        settings=dict(SWEEP, to="30 dB"),
        reading=("monotonicity", ""),
        words="too near to the noise",
    ),
    "more attenuation": Case(
        edit=analyser(intercept="-12 dBm"),
        settings=DEEP,
        reading=("second_harmonic", "uncorrected"),
        words="more input attenuation: the analyser makes it",
    ),
    "centre moved": Case(
        edit=analyser(moving_spurs=[{"level": "-72 dBm"}]),
        settings=CORRECTED,
        reading=("image", "corrected"),
        words="a response of the analyser that moves with its tuning",
    ),
    "RF off": Case(
        edit=analyser(spurs=[{"frequency": "1835 MHz", "level": "-80 dBm"}]),
        settings=CORRECTED,
        reading=("image", "corrected"),
        words="is still there with RF off",
    ),
    "settled": Case(
        edit=channel("corrections", settle_time="20 s", reported_share=0.2),
        settings=CORRECTED,
        reading=("image", "corrected"),
        words="it has not settled",
    ),
    "drift": Case(
        edit=channel("amplifier", droop="30 dB", thermal_time="4 s"),
        reading=("image", "uncorrected"),
        words="the tone drifted by -",
    ),
    "corrections settled": Case(
        edit=channel("corrections", lowest_level="10 dBm"),
        settings=dict(TONE, attenuation="20 dB", corrections_deadline="5 s"),
        reading=("image", "corrected"),
        words="the corrections are",
    ),
    "order of the product": Case(
        edit=channel("amplifier", fifth_order_intercept="24 dBm"),
        procedure="intermodulation",
        settings={**TONES, "drive": "-6 dBFS"},
        reading=("oip3_lower", ""),
        words="not third order alone",
    ),
    "small-signal line": Case(
        edit=channel("amplifier", intercept="26 dBm", intercept_phase="180 deg"),
        procedure="compression",
        settings={**SINGLE, "from": "-8 dBFS", "small_signal_range": "6 dB"},
        reading=("compression", ""),
        words="they are no small signals",
    ),
    "no line in the noise": Case(
        edit=analyser(spurs=[{"frequency": "1851 MHz", "level": "-80 dBm"}]),
        procedure="phase_noise",
        settings=SINGLE,
        reading=("integrated_phase_noise", ""),
        words="it is no density",
    ),
}

_SWEPT = replace(FAILED["overload"], procedure="power_sweep", settings=SWEEP)
_FOLLOWED = replace(FAILED["overload"], settings=CORRECTED)
_RETUNED = replace(
    FAILED["reference held"], procedure="retune", settings={**TONE, "to": "1862.5 MHz"}, after="ready_after"
)

FAILED_TOO: tuple[tuple[str, Case], ...] = (
    ("overload", replace(_SWEPT, reading=("level", ""))),
    (
        "calibrated sweep",
        replace(FAILED["calibrated sweep"], procedure="power_sweep", settings=SWEEP, reading=("level", "")),
    ),
    ("distance to the floor", replace(FAILED["distance to the floor"], reading=("level", ""))),
    ("overload", replace(_FOLLOWED, reading=("image_settling", ""))),
    ("overload", replace(_FOLLOWED, reading=("lo_leakage_settling", ""))),
    ("overload", replace(_FOLLOWED, reading=("image_settled_after", ""))),
    (
        "overload",
        replace(
            _FOLLOWED, procedure="retune", settings={**TONE, "to": "1862.5 MHz"}, reading=("ready_after", "")
        ),
    ),
    ("reference held", replace(_RETUNED, reading=("carrier_error", ""))),
    ("reference held", replace(_RETUNED, reading=("level_change", ""))),
    ("reference held", replace(_RETUNED, reading=("old_frequency_level", ""))),
)

MISSING: dict[str, Case] = {
    "overload": Case(
        without=("overload",),
        reading=("image", "uncorrected"),
        words="the analyser cannot tell: overload",
    ),
    "calibrated sweep": Case(
        without=("uncalibrated_sweep",),
        reading=("image", "uncorrected"),
        words="the analyser cannot tell: calibrated sweep",
    ),
    "reference lock": Case(
        without=("reference_locked",),
        reading=("tone_frequency_error", "uncorrected"),
        words="the analyser cannot tell: reference lock",
    ),
    "reference held": Case(
        without=("reference_locked",),
        reading=("tone_frequency_error", "uncorrected"),
        words="cannot tell whether it is locked",
    ),
    "more attenuation": Case(
        edit=lambda data: (
            analyser(noise_density="-130 dBm/Hz")(data),
            channel("modulator", square_i=0.004, square_q=-0.003)(data),
        ),
        settings=dict(TONE, corrections="false", resolve_down_to="-120 dBc"),
        reading=("second_harmonic", "uncorrected"),
        words="too little to add input attenuation",
    ),
    "more attenuation, deep line": Case(
        edit=lambda data: (
            analyser(noise_density="-113 dBm/Hz")(data),
            channel("modulator", square_i=0.03, square_q=-0.0225)(data),
        ),
        settings=dict(TONE, corrections="false", resolve_down_to="-36 dBc"),
        reading=("second_harmonic", "uncorrected"),
        words="too little to add input attenuation",
    ),
    "less drive": Case(
        edit=channel("modulator", cubic_i=0.0, cubic_q=0.0),
        reading=("third_harmonic", "uncorrected"),
        words="lost in noise: not classified",
    ),
    "order of the product": Case(
        edit=analyser(noise_density="-125 dBm/Hz"),
        procedure="intermodulation",
        settings={**TONES, "less_drive": "6 dB"},
        reading=("oip3_lower", ""),
        words="its order was not seen",
    ),
    "RF off": Case(
        # A residual line 5 dB above the floor, under an image of 11 dB: nobody can tell it from noise.
        edit=analyser(noise_density="-107 dBm/Hz", spurs=[{"frequency": "1835 MHz", "level": "-74 dBm"}]),
        reading=("image", "uncorrected"),
        words="by the noise",
    ),
    "centre moved": Case(
        edit=channel("corrections", settle_time="20 s", reported_share=0.2),
        settings=CORRECTED,
        reading=("image", "corrected"),
        words="moves by itself",
    ),
}

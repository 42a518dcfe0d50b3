"""What a radio can be told and asked, as data."""

from __future__ import annotations

from hilkit.instruments.capability import CapabilitySpec, by_name

__all__ = ["CAPABILITIES"]

_CHANNEL = ("channel",)

CAPABILITIES = by_name(
    CapabilitySpec(
        name="identity",
        kind="text",
        meaning="model, serial number and firmware",
        access="r",
        groups=("model", "serial", "firmware"),
        required=True,
    ),
    CapabilitySpec(
        name="uptime", kind="number", meaning="time since it started", access="r", unit="s", required=True
    ),
    CapabilitySpec(
        name="boot_count",
        kind="integer",
        meaning="how often it has started",
        access="r",
        unit="1",
        required=True,
    ),
    CapabilitySpec(
        name="reference",
        kind="word",
        meaning="source of the frequency reference",
        words=("external", "internal"),
        required=True,
    ),
    CapabilitySpec(
        name="reference_state",
        kind="word",
        meaning="lock to the reference",
        access="r",
        words=("locked", "seeking", "absent"),
        required=True,
    ),
    CapabilitySpec(
        name="rf", kind="boolean", meaning="transmitter of a channel", arguments=_CHANNEL, required=True
    ),
    CapabilitySpec(
        name="carrier",
        kind="number",
        meaning="carrier of a channel",
        unit="Hz",
        arguments=_CHANNEL,
        required=True,
        ranged=True,
    ),
    CapabilitySpec(
        name="synthesiser_state",
        kind="word",
        meaning="lock of a channel's synthesiser",
        access="r",
        words=("locked", "slewing", "lost"),
        arguments=_CHANNEL,
        required=True,
    ),
    CapabilitySpec(
        name="synthesiser_restart",
        kind="action",
        meaning="reset of a channel's synthesiser",
        access="w",
        arguments=_CHANNEL,
        required=True,
    ),
    CapabilitySpec(
        name="attenuation",
        kind="number",
        meaning="transmit attenuation of a channel",
        unit="dB",
        arguments=_CHANNEL,
        required=True,
        ranged=True,
    ),
    CapabilitySpec(
        name="tone",
        kind="action",
        meaning="CW tone at an offset in Hz and a level in dBFS",
        access="w",
        arguments=("channel", "offset", "level"),
        required=True,
    ),
    CapabilitySpec(
        name="waveform",
        kind="action",
        meaning="stored waveform at a level in dBFS",
        access="w",
        arguments=("channel", "waveform", "level"),
    ),
    CapabilitySpec(
        name="stream_start",
        kind="action",
        meaning="start of a stream",
        access="w",
        arguments=_CHANNEL,
        required=True,
    ),
    CapabilitySpec(
        name="stream_stop",
        kind="action",
        meaning="stop of a stream",
        access="w",
        arguments=_CHANNEL,
        required=True,
    ),
    CapabilitySpec(
        name="stream",
        kind="text",
        meaning="what a channel plays",
        access="r",
        arguments=_CHANNEL,
        required=True,
    ),
    CapabilitySpec(
        name="calibrate",
        kind="action",
        meaning="initial calibration",
        access="w",
        arguments=_CHANNEL,
        required=True,
    ),
    CapabilitySpec(
        name="calibration_state",
        kind="word",
        meaning="how the initial calibration stands",
        access="r",
        words=("none", "running", "done", "failed", "stale"),
        arguments=_CHANNEL,
        required=True,
    ),
    CapabilitySpec(
        name="corrections",
        kind="boolean",
        meaning="corrections of a channel",
        access="w",
        arguments=_CHANNEL,
        required=True,
    ),
    CapabilitySpec(
        name="corrections_state",
        kind="word",
        meaning="how far the corrections have come",
        access="r",
        words=("off", "learning", "settled", "stuck"),
        arguments=_CHANNEL,
        required=True,
    ),
    CapabilitySpec(
        name="temperature",
        kind="number",
        meaning="temperature of the unit",
        access="r",
        unit="°C",
        required=True,
    ),
    CapabilitySpec(
        name="forward_level",
        kind="number",
        meaning="level that a channel sends out of its port",
        access="r",
        unit="dBm",
        arguments=_CHANNEL,
    ),
    CapabilitySpec(
        name="reflected_level",
        kind="number",
        meaning="level that comes back into the port of a channel",
        access="r",
        unit="dBm",
        arguments=_CHANNEL,
    ),
    CapabilitySpec(
        name="return_loss",
        kind="number",
        meaning="return loss of what the port of a channel sees; else forward less reflected",
        access="r",
        unit="dB",
        arguments=_CHANNEL,
    ),
)

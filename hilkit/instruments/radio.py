"""The radio: a line console, every setting verified by reading it back."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import ClassVar, Literal, cast

import numpy as np
from numpy.typing import NDArray

from hilkit.errors import IdentityError, LinkError, RefusedError, ReplyError
from hilkit.instruments.capability import Capability, CapabilitySpec, Value
from hilkit.instruments.console import LineConsole
from hilkit.instruments.dialect import Dialect
from hilkit.instruments.radio_table import CAPABILITIES
from hilkit.instruments.replies import number
from hilkit.instruments.sample_block import decoded

__all__ = [
    "CalibrationState",
    "CorrectionState",
    "Radio",
    "RadioIdentity",
    "ReferenceState",
    "SynthesiserState",
]

ReferenceState = Literal["locked", "seeking", "absent"]
SynthesiserState = Literal["locked", "slewing", "lost"]
CalibrationState = Literal["none", "running", "done", "failed", "stale"]


@dataclass(frozen=True, kw_only=True)
class RadioIdentity:
    """Which unit it is, and what runs on it."""

    model: str
    serial: str
    firmware: str

    def __str__(self) -> str:
        return ", ".join((self.model, self.serial, self.firmware))


@dataclass(frozen=True, kw_only=True)
class CorrectionState:
    """How far the corrections have come; ``progress_percent`` is None where the radio does not say."""

    state: Literal["off", "learning", "settled", "stuck"]
    progress_percent: float | None


class Radio:
    """A multi-channel radio unit on its control line.

    Channels are numbered as in the bench file. What can be read back is, after every setting: RefusedError
    names the setting, the value sent and the value read back.
    """

    INSTRUMENT_CLASS: ClassVar[str] = "radio"
    PROTOCOL: ClassVar[Literal["scpi", "line"]] = "line"
    CAPABILITIES: ClassVar[Mapping[str, CapabilitySpec]] = CAPABILITIES
    ORDERED: ClassVar[tuple[str, ...]] = ()
    SECTIONS: ClassVar[tuple[str, ...]] = ("line",)
    OPTIONAL_SECTIONS: ClassVar[tuple[str, ...]] = ("safe_command", "mute_time")

    def __init__(self, console: LineConsole, dialect: Dialect) -> None:
        self.console = console
        self.dialect = dialect
        self._held: dict[tuple[str, tuple[tuple[str, str | int | float], ...]], Value] = {}
        console.probe = dialect.capabilities["identity"].query()
        self.carriers_hz: dict[int, float] = {}
        """Carrier that each channel was last tuned to from here."""
        console.verify = self.verify_settings

    @property
    def name(self) -> str:
        """The name in the bench file."""
        return self.console.name

    @property
    def busy(self) -> bool:
        """True while nothing may be asked besides: its link is being opened again."""
        return self.console.transport.restoring

    @property
    def restoring(self) -> bool:
        """True while its link is being opened again."""
        return self.console.transport.restoring

    def hurried(self, seconds: float) -> AbstractContextManager[object]:
        """Let all that is done inside take ``seconds`` at most; see ``LineConsole.hurried``."""
        return self.console.hurried(seconds)

    def recover(self) -> None:
        """Open the control line again."""
        self.console.transport.recover()

    # --- the unit

    def identity(self) -> RadioIdentity:
        """Ask which unit it is; IdentityError if the driver file expects another kind."""
        found = self._ask("identity")
        identity = RadioIdentity(model=found["model"], serial=found["serial"], firmware=found["firmware"])
        if self.dialect.identity and not re.search(self.dialect.identity, str(identity)):
            raise IdentityError(
                f"{identity} answers, which does not fit {self.dialect.identity!r} of driver "
                f"{self.dialect.name}",
                instrument=self.name,
                next_step="check the control line, or choose the driver of this unit in the bench file",
            )
        return identity

    def errors(self) -> list[str]:
        """A line console answers its errors at once and keeps no queue."""
        return []

    def uptime_s(self) -> float:
        """Ask for the time since it started, in seconds."""
        return float(self._read("uptime"))

    def boot_count(self) -> int:
        """Ask how often it has started."""
        return int(self._read("boot_count"))

    def temperature_c(self) -> float:
        """Ask for its temperature in degrees Celsius."""
        return float(self._read("temperature"))

    def set_reference(self, source: Literal["external", "internal"]) -> None:
        """Choose the frequency reference."""
        self._set("reference", source)

    def reference_state(self) -> ReferenceState:
        """Ask for the lock to the reference."""
        return cast(ReferenceState, self._read("reference_state"))

    # --- RF

    def set_rf(self, channel: int, on: bool) -> None:
        """Switch the transmitter of a channel."""
        self._set("rf", on, channel=channel)

    def rf(self, channel: int) -> bool:
        """Ask whether the transmitter of a channel is on."""
        return bool(self._read("rf", channel=channel))

    def set_carrier(self, channel: int, hz: float) -> None:
        """Tune a channel (its LO) to ``hz``."""
        self.carriers_hz[channel] = hz
        self._set("carrier", hz, channel=channel)

    def carrier(self, channel: int) -> float:
        """Ask for the carrier of a channel, in Hz."""
        return float(self._read("carrier", channel=channel))

    def synthesiser_state(self, channel: int) -> SynthesiserState:
        """Ask for the lock of a channel's synthesiser."""
        return cast(SynthesiserState, self._read("synthesiser_state", channel=channel))

    def restart_synthesiser(self, channel: int) -> None:
        """Reset a channel's synthesiser; it locks again afterwards."""
        self._do("synthesiser_restart", channel=channel)

    def set_attenuation(self, channel: int, db: float) -> None:
        """Set the transmit attenuation of a channel, in dB."""
        self._set("attenuation", db, channel=channel)

    def attenuation(self, channel: int) -> float:
        """Ask for the transmit attenuation of a channel, in dB."""
        return float(self._read("attenuation", channel=channel))

    def attenuation_range(self) -> tuple[float, float, float]:
        """Return lowest and highest transmit attenuation and its step, in dB, from the driver file."""
        limits = self.dialect.capabilities["attenuation"].limits
        assert limits.minimum is not None and limits.maximum is not None, (
            "attenuation is declared with a range"
        )
        return limits.minimum, limits.maximum, limits.step or 0.0

    # --- what its ports see

    def forward_level_dbm(self, channel: int) -> float:
        """Ask for the level that a channel sends out of its port, in dBm."""
        return float(self._read("forward_level", channel=channel))

    def reflected_level_dbm(self, channel: int) -> float:
        """Ask for the level that comes back into the port of a channel, in dBm."""
        return float(self._read("reflected_level", channel=channel))

    def return_loss_db(self, channel: int) -> float:
        """Ask for the return loss at the port of a channel, in dB: small where the load is missing."""
        if self.dialect.has("return_loss"):
            return float(self._read("return_loss", channel=channel))
        return self.forward_level_dbm(channel) - self.reflected_level_dbm(channel)

    # --- receivers

    def set_receive_carrier(self, channel: int, hz: float) -> None:
        """Tune the receiver of a channel (its LO) to ``hz``."""
        self._set("receive_carrier", hz, channel=channel)

    def sample_rate_hz(self, channel: int) -> float:
        """Ask for the rate of a receiver's samples, in Hz."""
        return float(self._read("sample_rate", channel=channel))

    def samples(self, channel: int, count: int) -> NDArray[np.complex128]:
        """Ask for a block of samples, I and Q each from -1 to 1; ReplyError where it is not as asked."""
        found = self._ask("samples", channel=channel, count=count)
        return decoded(found["value"], found["format"], count, instrument=self.name)

    def frames_passed(self, channel: int, count: int) -> int:
        """Have ``count`` frames received and ask how many passed; ReplyError for an impossible count."""
        passed = int(self._read("frames_passed", channel=channel, count=count))
        if not 0 <= passed <= count:
            raise ReplyError(
                f"{passed} of {count} frames have passed, it says",
                instrument=self.name,
                next_step="check the reply pattern of frames_passed in the driver file",
            )
        return passed

    # --- streams

    def play_tone(self, channel: int, offset_hz: float, dbfs: float) -> None:
        """Put a CW tone ``offset_hz`` from the carrier into a channel's stream, without starting it."""
        self._do("tone", channel=channel, offset=float(offset_hz), level=float(dbfs))
        self._confirm_stream(channel, f"tone at {offset_hz:.12g} Hz", (offset_hz,), dbfs)

    def play_two_tones(self, channel: int, first_hz: float, second_hz: float, dbfs: float) -> None:
        """Put two CW tones of ``dbfs`` each into a channel's stream, without starting it."""
        self._do(
            "two_tones",
            channel=channel,
            first=float(first_hz),
            second=float(second_hz),
            level=float(dbfs),
        )
        what = f"tones at {first_hz:.12g} and {second_hz:.12g} Hz"
        self._confirm_stream(channel, what, (first_hz, second_hz), dbfs)

    def play_waveform(self, channel: int, name: str, dbfs: float) -> None:
        """Put a stored waveform into a channel's stream, without starting it."""
        if not re.fullmatch(r"[\w.-]+", name):
            raise RefusedError(
                f"{name!r} is no name of a waveform",
                instrument=self.name,
                next_step="letters, digits, '_', '-', '.' only",
            )
        self._do("waveform", channel=channel, waveform=name, level=float(dbfs))
        self._confirm_stream(channel, f"waveform {name}", name, dbfs)

    def start_stream(self, channel: int) -> None:
        """Start a channel's stream."""
        self._do("stream_start", channel=channel)
        self._confirm_running(channel, True)

    def stop_stream(self, channel: int) -> None:
        """Stop a channel's stream."""
        self._do("stream_stop", channel=channel)
        self._confirm_running(channel, False)

    def stream(self, channel: int) -> str:
        """Ask what a channel plays, in the radio's words."""
        return str(self._read("stream", channel=channel))

    def _confirm_stream(self, channel: int, what: str, detail: tuple[float, ...] | str, dbfs: float) -> None:
        groups = self._ask("stream", channel=channel).groupdict()
        if "detail" not in groups:
            return
        seen = groups["detail"]
        same = seen == detail if isinstance(detail, str) else _all_near(seen, detail)
        if not same or not _near(groups["level"], dbfs):
            raise RefusedError(
                f"channel {channel} should play {what} at {dbfs:g} dBFS, it reports {groups['value']!r}",
                instrument=self.name,
                next_step="look at the transcript for what the radio said",
            )

    def _confirm_running(self, channel: int, wanted: bool) -> None:
        groups = self._ask("stream", channel=channel).groupdict()
        if "state" in groups and (groups["state"] == "running") is not wanted:
            raise RefusedError(
                f"the stream of channel {channel} should be {'running' if wanted else 'stopped'}, "
                f"it reports {groups['value']!r}",
                instrument=self.name,
                next_step="look at the transcript for what the radio said",
            )

    # --- calibration and corrections

    def calibrate(self, channel: int) -> None:
        """Start the initial calibration of a channel; poll ``calibration_state``."""
        self._do("calibrate", channel=channel)

    def calibration_state(self, channel: int) -> CalibrationState:
        """Ask how the calibration of a channel stands."""
        return cast(CalibrationState, self._read("calibration_state", channel=channel))

    def set_corrections(self, channel: int, on: bool) -> None:
        """Switch the corrections of a channel; poll ``corrections_state`` for their convergence."""
        self._do("corrections", on, channel=channel)
        seen = self.corrections_state(channel).state
        if (seen != "off") is not on:
            raise RefusedError(
                f"corrections of channel {channel} should be {'on' if on else 'off'}, they report {seen!r}",
                instrument=self.name,
                next_step="look at the transcript for what the radio said",
            )

    def corrections_state(self, channel: int) -> CorrectionState:
        """Ask how far the corrections of a channel have come."""
        capability = self._capability("corrections_state")
        found = self._ask("corrections_state", channel=channel)
        state = self._value(capability, found, channel=channel)
        progress = found.groupdict().get("progress")
        return CorrectionState(
            state=cast(Literal["off", "learning", "settled", "stuck"], state),
            progress_percent=None
            if progress is None
            else number(progress, instrument=self.name, asked=capability.query(channel=channel)),
        )

    # --- talking

    def _capability(self, name: str) -> Capability:
        return self.dialect.capabilities[name]

    def _ask(self, name: str, **arguments: str | int | float) -> re.Match[str]:
        capability = self._capability(name)
        return self.console.ask(
            capability.query(**arguments), lambda text: capability.match(text, **arguments)
        )

    def _value(self, capability: Capability, found: re.Match[str], **arguments: str | int | float) -> Value:
        return capability.value_of(found["value"], instrument=self.name, asked=capability.query(**arguments))

    def _read(self, name: str, **arguments: str | int | float) -> Value:
        return self._value(self._capability(name), self._ask(name, **arguments), **arguments)

    def _do(self, name: str, value: Value | None = None, **arguments: str | int | float) -> None:
        self.console.set(self._capability(name).command(value, instrument=self.name, **arguments))

    def _set(self, name: str, value: Value, **arguments: str | int | float) -> None:
        """Set and read back; where the answer to the command is lost, what is read back says if it came."""
        capability = self._capability(name)
        place = (name, tuple(arguments.items()))
        self._held.pop(place, None)
        try:
            self._do(name, value, **arguments)
        except (LinkError, ReplyError) as error:
            if not capability.verified:
                raise
            certain = name != "rf" or value is not False  # RF goes off whatever else is lost
            what = f"{name} is read back, and set again if it has not come"
            self.console.mend(error, what, verify=certain)
            if not capability.agrees(value, self._read(name, **arguments)):
                self._do(name, value, **arguments)
        if not capability.verified:
            return
        back = self._read(name, **arguments)
        if capability.agrees(value, back):
            self._held[place] = value
        else:
            raise self._not_taken(name, value, back, **arguments)

    def verify_settings(self) -> None:
        """Read back all that was set; RefusedError where it is no longer so."""
        for (name, place), value in self._held.items():
            seen = self._read(name, **dict(place))
            if not self._capability(name).agrees(value, seen):
                shown = self._capability(name).shown
                raise RefusedError(
                    f"after a lost answer {name} reads {shown(seen)}, but {shown(value)} was set: it has "
                    "lost its settings",
                    instrument=self.name,
                    next_step="find out whether it restarted",
                )

    def _not_taken(
        self, name: str, value: Value, back: Value, **arguments: str | int | float
    ) -> RefusedError:
        capability = self._capability(name)
        where = f" of channel {arguments['channel']}" if "channel" in arguments else ""
        return RefusedError(
            f"{name}{where} was not taken: sent {capability.shown(value)}, read back "
            f"{capability.shown(back)}",
            instrument=self.name,
            next_step=f"allowed by its driver file: {capability.allowed()}",
        )

    def close(self) -> None:
        """Close the control line."""
        self.console.close()


def _all_near(text: str, wanted: tuple[float, ...]) -> bool:
    parts = re.split(r"[,;/]", text)
    return len(parts) == len(wanted) and all(map(_near, parts, wanted))


def _near(text: str, wanted: float) -> bool:
    try:
        return math.isclose(float(text), wanted, rel_tol=1e-6, abs_tol=0.01)
    except ValueError:
        raise ReplyError(f"{text!r} should be a number close to {wanted:g}") from None

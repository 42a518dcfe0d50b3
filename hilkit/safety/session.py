"""What a procedure gets to work with: the analyser freely, RF through the gate, the radio's own routines."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from typing import TYPE_CHECKING, Literal

from hilkit.errors import BenchError, MeasurementError, UsageError
from hilkit.instruments.hurry import hurried
from hilkit.safety.gate import Gate
from hilkit.safety.interlocks import Interlocks
from hilkit.safety.person import OnPerson, PersonStep
from hilkit.safety.receive import ReceiveDesk
from hilkit.safety.source import SourceDesk
from hilkit.safety.states import RfState

if TYPE_CHECKING:
    from hilkit.bench import Bench, Connected, Path
    from hilkit.clock import Clock
    from hilkit.instruments import CorrectionState, PowerMeter, RadioIdentity, SignalAnalyser

__all__ = ["RadioDesk", "Session"]

DEAD_RADIO_S = 1.0


def _ignore(*_: str) -> None:
    return None


class RadioDesk:
    """What a procedure may ask of the radio besides RF: identity, reference, calibration, corrections.

    It has no way to turn RF on or to change a level. What may disturb the output while it runs (a restart of
    the synthesiser, a calibration with RF in an unknown state) has RF turned off first; it stays off.
    """

    def __init__(self, connected: Connected, gate: Gate) -> None:
        self._radio = connected.radio
        self._gate = gate

    def identity(self) -> RadioIdentity:
        """Return model, serial and firmware."""
        return self._radio.identity()

    def uptime_s(self) -> float:
        """Return the time since the unit started, in seconds."""
        return self._radio.uptime_s()

    def boot_count(self) -> int:
        """Return how often the unit has started."""
        return self._radio.boot_count()

    def set_reference(self, source: Literal["external", "internal"]) -> None:
        """Select ``external`` or ``internal`` as the frequency reference, RF off on all channels."""
        self._gate.mute_all()
        self._radio.set_reference(source)

    def reference_state(self) -> str:
        """Return ``locked``, ``seeking`` or ``absent``."""
        return self._radio.reference_state()

    def synthesiser_state(self, channel: int) -> str:
        """Return ``locked``, ``slewing`` or ``lost``."""
        return self._radio.synthesiser_state(channel)

    def restart_synthesiser(self, channel: int) -> None:
        """Restart a channel's synthesiser, RF off; it is locked when ``synthesiser_state`` says so."""
        self._gate.mute(channel)
        self._radio.restart_synthesiser(channel)

    def calibrate(self, channel: int) -> None:
        """Start the initial calibration of a channel; ``calibration_state`` says when it is done."""
        if self._gate.state(channel) is None:
            self._gate.mute(channel)
        self._radio.calibrate(channel)

    def calibration_state(self, channel: int) -> str:
        """Return ``none``, ``running``, ``done``, ``failed`` or ``stale``."""
        return self._radio.calibration_state(channel)

    def set_corrections(self, channel: int, on: bool) -> None:
        """Turn the running corrections of image and LO leakage on or off."""
        self._radio.set_corrections(channel, on)

    def corrections_state(self, channel: int) -> CorrectionState:
        """Return the state of the corrections and how far they are."""
        return self._radio.corrections_state(channel)

    def temperature_c(self) -> float:
        """Return the unit's temperature in degrees Celsius."""
        return self._radio.temperature_c()

    def attenuation_range(self) -> tuple[float, float, float]:
        """Return lowest, highest and step of the transmit attenuation in dB."""
        return self._radio.attenuation_range()

    def rf(self, channel: int) -> bool:
        """Return whether RF is on, as the radio says."""
        return self._radio.rf(channel)

    def carrier(self, channel: int) -> float:
        """Return the carrier in Hz, as the radio says."""
        return self._radio.carrier(channel)


class Session:
    """One run's hold on a connected bench.

    ``on_fact`` gets the name and text of each fact (identity, firmware), ``on_note`` each progress sentence.
    ``on_person`` has a person do something at the bench; ``None`` where nobody is there. ``source`` is the
    generator that stands in for the radio.
    """

    def __init__(
        self,
        connected: Connected,
        clock: Clock,
        *,
        on_fact: Callable[[str, str], None] = _ignore,
        on_note: Callable[[str], None] = _ignore,
        on_person: OnPerson | None = None,
    ) -> None:
        self.clock = clock
        self.bench: Bench = connected.bench
        self.gate = Gate(connected, clock)
        self.radio = RadioDesk(connected, self.gate)
        self.source = SourceDesk(connected, self.gate)
        self.receive = ReceiveDesk(connected, self.gate)
        self._connected = connected
        self._on_fact = on_fact
        self._on_note = on_note
        self._on_person = on_person
        self._sources = bool(connected.generators)
        self.interlocks.source_on = lambda: self.source.sending or self.receive.sending

    @property
    def interlocks(self) -> Interlocks:
        """What must hold while RF is on."""
        return self.gate.interlocks

    @property
    def analyser(self) -> SignalAnalyser:
        """The signal analyser: it commands no RF, so it is free to use."""
        return self._connected.analyser

    @property
    def power_meter(self) -> PowerMeter:
        """The power meter; ``BenchError`` on a bench without one."""
        for meter in self._connected.power_meters.values():
            return meter
        raise BenchError(
            f"bench {self.bench.name!r} has no power meter", next_step="add one to its instruments"
        )

    def ask_person(self, step: PersonStep) -> None:
        """Have a person do something at the bench, with the generators and all channels of the radio off.

        ``UsageError`` where nobody is there, ``Interrupted`` where the person stops.
        """
        if self._on_person is None:
            raise UsageError(
                f"a person is needed, and nobody is there: {step.text}",
                next_step="run this plan at a terminal, with somebody at the bench",
            )
        self.source.off()
        self.receive.off()
        self.gate.mute_all()
        self.note(f"a person is asked: {step.text}")
        self._on_person(step)

    def path(self, channel: int) -> Path:
        """Return the path of a channel."""
        return self.bench.path(channel)

    def rf(self, state: RfState) -> None:
        """Bring a channel into a state through the gate; see ``Gate.apply``."""
        self._quiet_sources()
        self.gate.apply(state)

    def select(self, channel: int) -> None:
        """Route the switch to this channel's port; RF goes down first unless nothing moves."""
        self._quiet_sources()
        self.gate.select(channel)

    def _quiet_sources(self) -> None:
        # Two sources on one path would add up to more than either was checked for.
        if self._sources and not self.source.quiet:
            self.source.off()
        self.receive.off()

    def mute(self, channel: int) -> None:
        """Turn RF of a channel off."""
        self.gate.mute(channel)

    def mute_all(self) -> None:
        """Turn RF of every channel off."""
        self.gate.mute_all()

    def state(self, channel: int) -> RfState | None:
        """Return the state last reached on a channel, ``None`` if it is unknown."""
        return self.gate.state(channel)

    def confirm(self) -> None:
        """Ask what stands in the paths for its settings; ``RefusedError`` where one has lost them."""
        self.gate.confirm()

    @property
    def hiccups(self) -> int:
        """How often something was asked or set again so far, or a radio answered late."""
        return self._connected.hiccups

    def brief_on_a_dead_radio(self) -> AbstractContextManager[object]:
        """Let what is asked of the radio inside take a second at most, if its link is out of step as it is.

        RF may be on, and the way to the second means that cuts it must not be long.
        """
        radio = self._connected.radio
        return hurried(radio, DEAD_RADIO_S) if radio.console.out_of_step else nullcontext()

    def forget(self) -> None:
        """Treat the bench as unknown, as after a restart of the radio: the next state is sent in full."""
        self.gate.forget()

    def pad_range(self, channel: int) -> tuple[float, float, float] | None:
        """Return lowest, highest and step in dB of the step attenuator in this path, ``None`` without one."""
        pad = self.path(channel).pad_instrument
        return None if pad is None else self._connected.pads[pad].range

    def fact(self, name: str, text: str) -> None:
        """Put a fact into the record."""
        self._on_fact(name, text)

    def note(self, text: str) -> None:
        """Tell the person at the console what happens, in one sentence."""
        self._on_note(text)

    def wait_until(
        self, condition: Callable[[], bool], *, deadline_s: float, poll_s: float, what: str
    ) -> float:
        """Wait until ``condition()`` holds and return the seconds it took, good to ``poll_s``.

        Raises ``MeasurementError`` naming ``what`` ("the reference locks") once ``deadline_s`` has passed.
        """
        start = self.clock.now()
        deadline = self.clock.deadline(deadline_s)
        while not condition():
            if deadline.passed:
                raise MeasurementError(
                    f"waited {deadline_s:g} s, and still not: {what}",
                    next_step="look at the transcript for what the instrument said last, or allow more time",
                )
            self.clock.sleep(min(poll_s, max(deadline.left, 1e-3)))
        return self.clock.now() - start

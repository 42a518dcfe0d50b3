"""A bench with its instruments open: opened together, checked for who answers, closed together."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from types import TracebackType
from typing import TYPE_CHECKING, Any

from hilkit.bench.power import bring_up, patiently, power_radio
from hilkit.bench.spec import Bench, InstrumentSpec
from hilkit.errors import BenchError, HilkitError, IdentityError

if TYPE_CHECKING:
    from hilkit.clock import Clock
    from hilkit.files import Lab
    from hilkit.instruments import (
        DcSupply,
        Identity,
        NoiseSource,
        PowerMeter,
        Radio,
        SignalAnalyser,
        SignalGenerator,
        StepAttenuator,
        SwitchMatrix,
        Transcript,
    )

__all__ = ["Connected", "identity_mismatch", "open_one"]


class Connected:
    """Open instruments by name.

    ``pads``, ``switches``, ``generators``, ``power_meters`` and ``supplies`` are those of their class,
    ``instruments`` everything but the radio. ``found`` holds what was in the error queues at the start, left
    by whoever was there before: from then on, an entry is the answer to what is sent here.
    As a context manager it closes them in the reverse order of opening, whatever happens.
    """

    def __init__(
        self,
        bench: Bench,
        instruments: Mapping[str, Any],
        radio: Radio,
        *,
        found: Mapping[str, tuple[str, ...]] | None = None,
    ) -> None:
        self.bench = bench
        self.found = dict(found or {})
        self.radio = radio
        self.instruments = dict(instruments)
        self.pads: dict[str, StepAttenuator] = self._of_class("step_attenuator")
        self.switches: dict[str, SwitchMatrix] = self._of_class("switch_matrix")
        self.generators: dict[str, SignalGenerator] = self._of_class("signal_generator")
        self.power_meters: dict[str, PowerMeter] = self._of_class("power_meter")
        self.noise_sources: dict[str, NoiseSource] = self._of_class("noise_source")
        self.supplies: dict[str, DcSupply] = self._of_class("dc_supply")

    @classmethod
    def open(
        cls,
        bench: Bench,
        resource_manager: Any,
        clock: Clock,
        transcript: Transcript,
        lab: Lab,
        *,
        prepare: bool = True,
    ) -> Connected:
        """Open and check everything; see ``Bench.connect``."""
        opened: dict[str, Any] = {}
        found: dict[str, tuple[str, ...]] = {}

        def greet(spec: InstrumentSpec) -> None:
            opened[spec.name] = open_one(spec, resource_manager, clock, transcript)
            check_identity(spec, opened[spec.name].identity())
            if entries := tuple(opened[spec.name].errors()):
                found[spec.name] = entries

        try:
            for spec in bench.instruments.values():
                greet(spec)
            boots_s = power_radio(bench, opened, clock) if prepare else 0.0
            radio_name = bench.radio_spec.name
            patiently(
                lambda: greet(bench.radio_spec),
                boots_s,
                clock,
                undo=lambda: _close({name: opened.pop(name) for name in (radio_name,) if name in opened}),
            )
            radio = opened.pop(radio_name)
            connected = cls(bench, opened, radio, found=found)
            if prepare:
                connected.prepare()
        except BaseException:
            _close(opened)
            raise
        return connected

    def prepare(self) -> None:
        """Bring analyser, generators and power meters into their known state: generators first, without RF.

        Analyser and generators are put on the reference that the bench file names. A supply is left as it is:
        a reset would take the power from what it feeds.
        """
        for item in (*self.generators.values(), *self._of_class("signal_analyser").values()):
            item.prepare(reference=self.bench.reference)
        for meter in self.power_meters.values():
            meter.prepare()
        for source in self.noise_sources.values():
            source.safe()

    def prepare_again(self, name: str) -> None:
        """Bring one instrument into its known state again; those that have none are left as they are."""
        item = self.instruments[name]
        if item in self.generators.values() or item in self._of_class("signal_analyser").values():
            item.prepare(reference=self.bench.reference)
        elif item in self.power_meters.values():
            item.prepare()

    @property
    def hiccups(self) -> int:
        """How often something was asked or set again so far, on any link."""
        links = [self.radio.console, *(item.link for item in self.instruments.values())]
        return sum(int(link.hiccups) for link in links)

    def tell_retries(self, tell: Callable[[str], None]) -> None:
        """Have ``tell`` told, in one sentence, of all that is asked or set again because a link failed."""
        self.radio.console.on_retry = tell
        for item in self.instruments.values():
            item.link.on_retry = tell

    def power_up(self, clock: Clock) -> list[str]:
        """Bring every supply up in the order of the bench file; RF has to be off.

        What is up already stays as it is. Returns a sentence on each that was off; ``BenchError`` where one
        does not come up, or is up with other settings.
        """
        return [
            f"{rail.name} was off and is on now: {rail.voltage_v:g} V for the {rail.feeds}"
            for rail in self.bench.rails
            if bring_up(self.supplies[rail.instrument], rail, clock)
        ]

    @property
    def analyser(self) -> SignalAnalyser:
        """The signal analyser; ``BenchError`` on a bench without one."""
        analyser: SignalAnalyser
        for analyser in self._of_class("signal_analyser").values():
            return analyser
        raise BenchError(f"bench {self.bench.name!r} has no signal analyser")

    def _of_class(self, instrument_class: str) -> dict[str, Any]:
        specs = self.bench.instruments
        return {
            name: item
            for name, item in self.instruments.items()
            if specs[name].instrument_class == instrument_class
        }

    def close(self) -> None:
        """Close everything, the last opened first; a link that is already dead does not keep others open."""
        _close({**self.instruments, self.bench.radio_spec.name: self.radio})

    def __enter__(self) -> Connected:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_one(spec: InstrumentSpec, resource_manager: Any, clock: Clock, transcript: Transcript) -> Any:
    """Open one instrument of the bench; raises ``LinkError`` where nothing answers."""
    from hilkit.instruments import open_instrument

    return open_instrument(
        spec.dialect,
        resource_manager=resource_manager,
        resource=spec.resource,
        command=spec.command,
        name=spec.name,
        clock=clock,
        transcript=transcript,
    )


def check_identity(spec: InstrumentSpec, identity: Identity) -> None:
    """Raise ``IdentityError`` where another instrument answers than the bench file expects."""
    if sentence := identity_mismatch(spec, identity):
        raise IdentityError(
            sentence,
            instrument=spec.name,
            next_step=f"check the cabling and the address {spec.address}, or correct the bench file",
        )


def identity_mismatch(spec: InstrumentSpec, identity: Identity) -> str:
    """Return a sentence on how the identity differs from what is expected; empty where it does not."""
    pairs = (("model", spec.model, identity.model), ("serial", spec.serial, identity.serial))
    wrong = [
        f"{what} {seen!r} answers at {spec.address}, {wanted!r} was expected"
        for what, wanted, seen in pairs
        if wanted and wanted != seen
    ]
    return "; ".join(wrong)


def _close(opened: Mapping[str, Any]) -> None:
    for item in reversed(list(opened.values())):
        with suppress(HilkitError, OSError):
            item.close()

"""What all SCPI instruments share: identity, errors, and settings that are sent as a group and read back."""

from __future__ import annotations

import re
from collections.abc import Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import ClassVar, Literal

from hilkit.errors import IdentityError, LinkError, RefusedError, ReplyError, UsageError
from hilkit.instruments.capability import Capability, CapabilitySpec, Value
from hilkit.instruments.dialect import Dialect
from hilkit.instruments.link import ScpiLink
from hilkit.instruments.status import Restarted, blame
from hilkit.instruments.transcript import NOTE, quoted, visible

__all__ = ["Identity", "ScpiInstrument"]

_APPLY_TRIES = 3
_AUTO = "_auto"
_Place = tuple[tuple[str, str | int | float], ...]

_UNKNOWN_HEADER = range(-119, -109)
"""SCPI-99 volume 2, clause 21.8.4: command header errors, of which -113 is the undefined header."""


@dataclass(frozen=True, kw_only=True)
class Identity:
    """The four fields of ``*IDN?`` (IEEE 488.2, clause 10.14)."""

    maker: str
    model: str
    serial: str
    firmware: str

    def __str__(self) -> str:
        return ", ".join((self.maker, self.model, self.serial, self.firmware))


class ScpiInstrument:
    """An instrument behind a SCPI link, told and asked as its dialect says.

    Subclasses declare as data what they know (``CAPABILITIES``), and which sections of a driver file they
    need.
    """

    INSTRUMENT_CLASS: ClassVar[str]
    PROTOCOL: ClassVar[Literal["scpi", "line"]] = "scpi"
    CAPABILITIES: ClassVar[Mapping[str, CapabilitySpec]] = {}
    ORDERED: ClassVar[tuple[str, ...]] = ()
    SECTIONS: ClassVar[tuple[str, ...]] = ()
    OPTIONAL_SECTIONS: ClassVar[tuple[str, ...]] = ()

    def __init__(self, link: ScpiLink, dialect: Dialect) -> None:
        self.link = link
        self.dialect = dialect
        self._absent: set[str] = set()
        self._held: dict[tuple[str, _Place], Value] = {}
        link.verify = self.verify_settings

    @property
    def name(self) -> str:
        """The name in the bench file."""
        return self.link.name

    @property
    def busy(self) -> bool:
        """True while nothing may be asked besides; see ``ScpiLink.busy``."""
        return self.link.busy

    @property
    def restoring(self) -> bool:
        """True while its link is being opened again."""
        return self.link.restoring

    def hurried(self, seconds: float) -> AbstractContextManager[object]:
        """Let all that is done inside take ``seconds`` at most; see ``ScpiLink.hurried``."""
        return self.link.hurried(seconds)

    def identity(self) -> Identity:
        """Ask who it is; IdentityError if the driver file expects another kind of instrument."""
        reply = self.link.identify()
        fields = [part.strip() for part in reply.split(",", 3)]
        if len(fields) < 4:
            raise ReplyError(
                f"*IDN? was answered with {quoted(reply)}, which has no four fields with commas",
                instrument=self.name,
                next_step="check that this resource is a SCPI instrument",
            )
        if self.dialect.identity and not re.search(self.dialect.identity, reply):
            raise IdentityError(
                f"{quoted(reply)} answers, which does not fit {self.dialect.identity!r} of driver "
                f"{self.dialect.name}",
                instrument=self.name,
                next_step="check the resource, or choose the driver of this instrument in the bench file",
            )
        return Identity(maker=fields[0], model=fields[1], serial=fields[2], firmware=fields[3])

    def errors(self) -> list[str]:
        """Empty the error queue and return its entries as text; nothing else changes."""
        return [str(entry) for entry in self.link.read_errors()]

    def self_test(self) -> str:
        """Run the instrument's own test; empty if it passed, else what it answered.

        UsageError unless the driver file declares the test harmless.
        """
        test = self.dialect.self_test
        if test is None or not test.harmless:
            raise UsageError(
                f"{self.name}: driver {self.dialect.name} does not declare the self-test harmless, so it is "
                "not run",
                next_step="read in its manual what the test does to settings and outputs before declaring it",
            )
        reply = self.link.ask(test.query, timeout_s=test.time.s + self.link.settings.margin_s)
        return "" if reply.strip().lstrip("+") in ("0", "00") else f"{test.query} answered {visible(reply)}"

    def has(self, capability: str) -> bool:
        """True when the instrument can do it: its driver file says so and it has not turned out to be
        missing.
        """
        return capability in self.dialect.capabilities and capability not in self._absent

    def apply(self, values: Mapping[str, Value], **arguments: str | int | float) -> dict[str, Value]:
        """Send settings in the order given, empty the error queue, read all back and return what was read.

        If a setting moved when another one was sent, or the link failed meanwhile, all are sent once more;
        RefusedError names what still differs, with the value sent and the value read back. Settings that the
        driver file does not have raise ``KeyError``.
        """
        commands = {
            name: self._capability(name).command(value, instrument=self.name, **arguments)
            for name, value in values.items()
        }
        place = tuple(arguments.items())
        for name in commands:
            self._held.pop((name, place), None)  # on its way: a check in between must not miss it
        mended = False
        for attempt in range(_APPLY_TRIES):
            try:
                self._send(commands, values)
                back = {name: self.read(name, **arguments) for name in commands if self._verified(name)}
            except LinkError as error:
                if mended or isinstance(error, Restarted):
                    raise
                mended = True
                self.link.mend(error, f"{', '.join(commands)} set again")
                continue
            moved = [name for name in back if not self._capability(name).agrees(values[name], back[name])]
            if not moved:
                self._hold(place, {name: values[name] for name in back})
                return back
            if attempt == _APPLY_TRIES - 1:
                raise self._not_taken(values, back, moved)
            self.link.transcript.line(
                self.name, NOTE, f"{', '.join(moved)} moved, all settings are sent again"
            )
            if attempt:  # an answer too many shifts the ones behind it: every setting seems to have moved
                self.link.resync()
        raise AssertionError("unreachable")

    def _hold(self, place: _Place, values: Mapping[str, Value]) -> None:
        for name, value in values.items():
            self._held[name, place] = value
            if name.endswith(_AUTO) and value:  # the instrument chooses from here on
                self._held.pop((name.removesuffix(_AUTO), place), None)

    def forget_settings(self) -> None:
        """Expect nothing of what was set so far, as after a reset."""
        self._held.clear()

    def verify_settings(self) -> None:
        """Read back all that was set; RefusedError where it is no longer so."""
        for (name, place), value in self._held.items():
            arguments = dict(place)
            self._choose(arguments)
            seen = self.read(name, **arguments)
            capability = self._capability(name)
            if not capability.agrees(value, seen):
                raise RefusedError(
                    f"after a lost answer {name} reads {capability.shown(seen)}, but "
                    f"{capability.shown(value)} was set: it has lost its settings",
                    instrument=self.name,
                    next_step="find out whether it restarted, or somebody was at its front panel",
                )

    def _choose(self, arguments: Mapping[str, str | int | float]) -> None:
        """Make the instrument speak of the place that ``arguments`` name, where that takes a command."""

    def do(self, name: str, *, expected_s: float = 0.0, **arguments: str | int | float) -> None:
        """Carry out an action, wait until it is complete, and empty the error queue."""
        capability = self._capability(name)
        self._command(capability, capability.command(instrument=self.name, **arguments), expected_s)
        self.link.drain_errors(name)

    def read(self, name: str, **arguments: str | int | float) -> Value:
        """Ask for one value."""
        capability = self._capability(name)
        query = capability.query(**arguments)
        return self.link.surely(
            query, lambda: capability.read(self.link.ask(query), instrument=self.name, **arguments)
        )

    def read_number(self, name: str, **arguments: str | int | float) -> float:
        """Ask for one number."""
        return float(self.read(name, **arguments))

    def close(self) -> None:
        """Close the link."""
        self.link.close()

    def _capability(self, name: str) -> Capability:
        return self.dialect.capabilities[name]

    def _bounds(self, name: str) -> tuple[float, float]:
        limits = self._capability(name).limits
        assert limits.minimum is not None and limits.maximum is not None, f"{name} is declared with a range"
        return limits.minimum, limits.maximum

    def _verified(self, name: str) -> bool:
        return self.has(name) and self._capability(name).verified

    def _command(self, capability: Capability, text: str, expected_s: float = 0.0) -> None:
        if capability.overlapped:
            self.link.run(text, expected_s)
        else:
            self.link.set(text)

    def _send(self, commands: Mapping[str, str], values: Mapping[str, Value]) -> None:
        present = [name for name in commands if self.has(name)]
        for name in present:
            self._command(self._capability(name), commands[name])
        try:
            self.link.drain_errors(present)
        except RefusedError:
            if not self._found_absent(present, commands, values):
                raise

    def _found_absent(
        self, names: list[str], commands: Mapping[str, str], values: Mapping[str, Value]
    ) -> bool:
        """Send the settings one by one, to name the one that is refused.

        True if all that was refused are headers of optional capabilities, which are left out from then on.
        """
        refused = {}
        for name in names:
            self.link.set(commands[name])
            if entries := self.link.read_errors():
                refused[name] = entries
        for name, entries in refused.items():
            capability = self._capability(name)
            if not (capability.optional and all(entry.number in _UNKNOWN_HEADER for entry in entries)):
                setting = f"{name} = {capability.shown(values[name])}"
                raise blame(entries, setting, instrument=self.name, allowed=capability.allowed())
            self._absent.add(name)
            self.link.transcript.line(
                self.name, NOTE, f"{name} is not known to the instrument and is left out"
            )
        return bool(refused)

    def _not_taken(
        self, values: Mapping[str, Value], back: Mapping[str, Value], moved: list[str]
    ) -> RefusedError:
        lines = []
        for name in moved:
            capability = self._capability(name)
            lines.append(
                f"{name}: sent {capability.shown(values[name])}, read back {capability.shown(back[name])}"
            )
        return RefusedError(
            "settings were not taken although no error was reported: " + "; ".join(lines),
            instrument=self.name,
            next_step="choose values that it has, or correct range, order or tolerance in its driver file",
        )

"""One SCPI session over PyVISA, used by every instrument.

Set and ask are separate, every wait has an end, and after a timeout the link is brought back in step before
anything else is read. One thread uses a link.

A question whose answer was lost is asked once more, where asking changes nothing, after the link is back in
step and the settings have been read back. A command is never sent again here.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, TypeVar

from hilkit.clock import Clock, Deadline
from hilkit.errors import HilkitError, LinkError, RefusedError, ReplyError
from hilkit.instruments import replies
from hilkit.instruments.hurry import SHORTEST_S
from hilkit.instruments.status import RESTARTED, Events, Restarted, Waiter, blame
from hilkit.instruments.transcript import NOTE, RECEIVED, NullTranscript, Transcript, quoted
from hilkit.instruments.visa import ResourceManager, explain, is_timeout
from hilkit.instruments.wire import Completion, LinkSettings, Wire

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from hilkit.instruments.blocks import ByteOrder, DataFormat

__all__ = ["Completion", "LinkSettings", "ScpiLink"]

_ERROR_CAP = 100
_LATE_S = 0.5
"""An answer that takes longer stretches a time that is being measured."""

_IN_STEP_TRIES = 3
_QUOTED = re.compile(r"\"[^\"]*\"|'[^']*'")

# Asked again, these give another answer than the one that was lost: registers and queues are cleared by
# reading (IEEE 488.2, clauses 10.12 and 11.4; SCPI-99 volume 2, clause 21.8), tests and readings run again.
_ASKED_ONCE = re.compile(
    r"\*(ESR|OPC|TST|CAL|LRN)\?|\bSYST(em)?:ERR|:EVEN(t)?\?|\bSTAT(us)?:\w+\?|\bREAD\b", re.IGNORECASE
)

T = TypeVar("T")


class ScpiLink:
    """A link to one instrument; open from the start, closed by ``close`` or the end of a ``with``."""

    def __init__(
        self,
        resource_manager: ResourceManager,
        resource: str,
        *,
        name: str,
        clock: Clock,
        transcript: Transcript | None = None,
        settings: LinkSettings | None = None,
    ) -> None:
        self.name = name
        self.clock = clock
        self.settings = settings or LinkSettings()
        self.transcript: Transcript = transcript if transcript is not None else NullTranscript()
        self.identity_text = ""
        self._wire = Wire(
            resource_manager,
            resource,
            name=name,
            clock=clock,
            transcript=self.transcript,
            settings=self.settings,
        )
        self._under_way = False
        self._mending = False
        self._woke = self._dead = False
        self._waiter = Waiter(self)
        self.verify: Callable[[], None] = lambda: None
        """Reads back what was set, after a lost answer; raises a HilkitError where it is no longer so."""
        self.on_retry: Callable[[str], None] = lambda _: None
        """Is told of each question that is asked again, in one sentence."""
        self.hiccups = 0
        """How often something was asked or set again."""

    @property
    def resource(self) -> str:
        """The canonical resource name."""
        return self._wire.resource

    @property
    def dead(self) -> bool:
        """True after it could not be brought back in step; each use tries again, and may take its time."""
        return self._dead

    @property
    def restoring(self) -> bool:
        """True while the link is being opened again."""
        return self._wire.restoring

    @property
    def busy(self) -> bool:
        """True while nothing may be asked besides.

        The link is being opened again, or a wait is under way in which the instrument may not answer.
        """
        return self._wire.restoring or self._waiter.deaf

    @contextlib.contextmanager
    def hurried(self, seconds: float) -> Iterator[Deadline]:
        """Let all that is done inside take ``seconds`` at most, answers and a lost link included.

        A link that does not answer is left as it is, and brought back in step when it is used next.
        """
        before = self._wire.hurry
        self._wire.hurry = deadline = self.clock.deadline(seconds)
        try:
            yield deadline
        finally:
            self._wire.hurry = before

    def _patience_s(self, timeout_s: float | None = None) -> float:
        """Return how long an answer may take, in a hurry no longer than its time."""
        wanted, hurry = timeout_s or self.settings.timeout_s, self._wire.hurry
        return wanted if hurry is None else max(min(wanted, hurry.left), SHORTEST_S)

    # --- text

    def set(self, text: str) -> None:
        """Send a command. ValueError if it is a query: its answer would be left over for the next ask."""
        if _is_query(text):
            raise ValueError(
                f"{self.name}: {text!r} is a query; use ask, or its answer is taken for the next one"
            )
        self._begin(text)
        self._under_way = False

    def ask(self, text: str, *, timeout_s: float | None = None) -> str:
        """Send a query and return its answer without terminator; LinkError if none comes in time."""
        if not _is_query(text):
            raise ValueError(
                f"{self.name}: {text!r} is no query; use set, or the wait for an answer runs out"
            )
        self._begin(text)
        with self._reading(text):
            reply = self._wire.line(self._patience_s(timeout_s))
        self._under_way = False
        return reply

    def surely(self, text: str, exchange: Callable[[], T]) -> T:
        """Return what ``exchange`` does, which asks ``text``; once more if the answer is lost or spoiled.

        Not where asking again would give another answer, and not for a value that the instrument says it does
        not have. LinkError or ReplyError if the second answer is lost too.
        """
        start_s = self.clock.now()
        try:
            found = exchange()
            self.hiccups += self.clock.now() - start_s > _LATE_S
            return found
        except (replies.NoValue, Restarted):
            raise
        except (LinkError, ReplyError) as error:
            if self._mending or _ASKED_ONCE.search(text) or text == self.settings.error_query:
                raise
            self.mend(error, f"{quoted(text)} is asked again")
        return exchange()

    def mend(self, error: HilkitError, what: str) -> None:
        """Get over ``error``: bring the link back in step, see that all settings are as they were, tell it.

        Raises ``error`` itself where that cannot be done, and what the check of the settings raises.
        """
        woke, self._woke = self._woke, False
        if self._mending or woke or self._dead or self._wire.hurry is not None:
            raise error
        self._mending = True
        try:
            if self._under_way or isinstance(error, ReplyError):
                try:
                    self.resync()
                except HilkitError:
                    raise error from None
            if self._woke:
                raise self._restarted()
            self.verify()
        finally:
            self._mending = self._woke = False
        self.retried(f"{what}: {error.message.splitlines()[0]}")

    def retried(self, text: str) -> None:
        """Note that something was asked or set again."""
        self.hiccups += 1
        self.transcript.line(self.name, NOTE, text)
        self.on_retry(f"{self.name}: {text.removeprefix(f'{self.name}: ')}")

    def ask_float(self, text: str, *, timeout_s: float | None = None) -> float:
        """Return the answer as a number; ReplyError for anything else and for the SCPI infinities."""
        return replies.number(self.ask(text, timeout_s=timeout_s), instrument=self.name, asked=text)

    def identify(self) -> str:
        """Return the answer to ``*IDN?``, and keep it to recognise the instrument after a lost link."""
        self.identity_text = self.ask("*IDN?")
        return self.identity_text

    # --- data

    def ask_values(
        self,
        text: str,
        *,
        count: int,
        data_format: DataFormat = "real32",
        byte_order: ByteOrder = "big",
        timeout_s: float | None = None,
    ) -> NDArray[np.float64]:
        """Return ``count`` numbers, from a block of IEEE floats or from an ASCII list.

        ReplyError for another length, a cut-off block and SCPI not-a-number anywhere in it.
        """
        from hilkit.instruments import blocks

        if data_format == "ascii":
            reply = self.ask(text, timeout_s=timeout_s)
            return blocks.from_ascii(reply, count=count, instrument=self.name, asked=text)
        size = count * blocks.item_size(data_format)
        data = self.ask_block(text, expected_bytes=size, timeout_s=timeout_s)
        return blocks.from_bytes(
            data,
            count=count,
            data_format=data_format,
            byte_order=byte_order,
            instrument=self.name,
            asked=text,
        )

    def ask_block(self, text: str, *, expected_bytes: int = 0, timeout_s: float | None = None) -> bytes:
        """Return the data bytes of a definite length block, read by its count, termination character off."""
        from hilkit.instruments import blocks

        if not _is_query(text):
            raise ValueError(
                f"{self.name}: {text!r} is no query; use set, or the wait for an answer runs out"
            )
        wire = self._wire
        self._begin(text)
        try:
            with self._reading(text), wire.block(self._patience_s(timeout_s)):
                if wire.framed:
                    data = blocks.read_counted(wire, asked=text, expected_bytes=expected_bytes)
                else:
                    message = wire.message(expected_bytes)
                    data = blocks.block_from_message(message, instrument=self.name, asked=text)
        except ReplyError as error:
            self.transcript.line(self.name, NOTE, error.message)
            self.resync()
            raise
        self._under_way = False
        self.transcript.line(self.name, RECEIVED, f"# block of {len(data)} bytes")
        return data

    # --- completion

    def run(self, text: str, expected_s: float, *, margin_s: float | None = None) -> None:
        """Send an overlapped command and wait until it is complete, by the dialect's way of telling."""
        if _is_query(text):
            raise ValueError(f"{self.name}: {text!r} is a query; run takes commands")
        self._waiter.run(text, expected_s, self.settings.margin_s if margin_s is None else margin_s)

    def wait_complete(self, expected_s: float, *, margin_s: float | None = None) -> None:
        """Wait until everything sent so far is complete; LinkError after ``expected_s`` and the margin.

        ``*OPC`` and then ``*ESR?`` in slices of the clock, so that a long wait can be interrupted.
        """
        self.run("", expected_s, margin_s=margin_s)

    # --- errors

    def read_errors(self) -> list[replies.ErrorEntry]:
        """Empty the error queue and return its entries; nothing is raised for them."""
        entries: list[replies.ErrorEntry] = []
        for _ in range(_ERROR_CAP):
            entry = replies.error_entry(self.ask(self.settings.error_query), instrument=self.name)
            if entry.number == 0:
                return entries
            entries.append(entry)
        raise ReplyError(
            f"the error queue still held entries after {_ERROR_CAP} reads; the last was {entries[-1]}",
            instrument=self.name,
            next_step="check error_query in the driver file; the last answers are in the transcript",
        )

    def drain_errors(self, context: str | Sequence[str] = "") -> None:
        """Empty the error queue; RefusedError with what was being set and every entry, if a fault was in it.

        ``context`` names the settings just sent. LinkError if the instrument restarted (-500).
        """
        entries = self.read_errors()
        if any(entry.number == RESTARTED for entry in entries):
            raise self._restarted()
        # Below -500 are events such as a user's request, not faults (SCPI-99 volume 2, clause 21.8).
        if faults := [entry for entry in entries if entry.number > RESTARTED]:
            raise blame(faults, context, instrument=self.name)

    def clear_status(self) -> None:
        """Send ``*CLS``, which empties event registers and error queue: -500 from here on is a restart."""
        self.set("*CLS")
        self._waiter.cleared()

    def check_events(self, events: Events, context: str) -> None:
        """Report the faults in an event status register that was read while waiting."""
        if Events.POWER_ON in events:
            raise self._restarted()
        if faults := events.faults:
            self.drain_errors(context)
            raise RefusedError(
                f"{context}: the event status register reports {faults}, but the error queue is empty",
                instrument=self.name,
                next_step="look at the instrument's screen and at the transcript",
            )

    def _restarted(self) -> LinkError:
        self._waiter.forget()
        return Restarted(
            "the instrument restarted (-500, power on) and its settings are gone",
            instrument=self.name,
            next_step="check its supply and its temperature, then run the step again from the start",
        )

    # --- timeouts

    def _begin(self, text: str) -> None:
        """Send; an exchange that was broken off before its end left an answer behind, which goes first."""
        if self._under_way:
            self.resync()
        elif self._wire.framed and self._wire.answer_waits:
            self.resync()
            self.retried(f"an answer was there before {quoted(text)} was asked, and is thrown away")
        self._under_way = True
        self._wire.send(text)

    @contextlib.contextmanager
    def _reading(self, text: str) -> Iterator[None]:
        try:
            yield
        except HilkitError:
            raise
        except Exception as error:
            if is_timeout(error):
                raise self.timed_out(text, self._wire.timeout_s) from error
            self._wire.drop()
            doing = f"read the answer to {text} from {self.resource}"
            raise explain(error, name=self.name, doing=doing) from error

    def timed_out(self, text: str, waited_s: float) -> LinkError:
        """Bring the link back in step and return the error that says what happened."""
        self.transcript.line(self.name, NOTE, f"no answer to {text} in {waited_s:g} s")
        if self._wire.hurry is not None:
            return LinkError(
                f"no answer to {quoted(text)} within {waited_s:.2g} s at {self.resource}",
                instrument=self.name,
            )
        facts: list[str] = []
        try:
            self._recover(facts)
            facts.append("the link is back in step")
        except HilkitError as error:
            self._under_way = self._dead = True
            facts.append(f"the link could not be brought back in step: {error.message}")
        if self._woke and not self._mending:
            return self._restarted()
        return LinkError(
            f"no answer to {quoted(text)} within {waited_s:g} s at {self.resource} ({'; '.join(facts)})",
            instrument=self.name,
            next_step="likely causes: a header the instrument does not know, a sweep longer than expected, a "
            "trigger that never came, another program on the same link, a wrong terminator",
        )

    def resync(self) -> None:
        """Bring the link back in step: device clear, or close and reopen a socket; identity; ``*CLS``.

        LinkError if the instrument does not answer ``*IDN?`` as before.
        """
        self._recover([])

    def _recover(self, facts: list[str]) -> None:
        """Bring the link back in step, and gather what the instrument says about itself on the way."""
        if status := self._wire.restore():
            facts.append(status)
        self._waiter.forget()
        self._in_step()
        # Event status and error queue say why; *CLS would wipe them.
        with contextlib.suppress(HilkitError):
            said = self._plain_ask("*ESR?")
            facts.append(f"event status {said}")
            self._woke = self._waiter.tells_restart(said)
            for _ in range(_ERROR_CAP):
                entry = replies.error_entry(self._plain_ask(self.settings.error_query), instrument=self.name)
                if entry.number == 0:
                    break
                self._woke = self._woke or entry.number == RESTARTED
                facts.append(f"error queue {entry}")
        self._wire.send("*CLS")
        self._under_way = self._dead = False

    def _in_step(self) -> None:
        """Ask for the identity: an answer left over from before shows as a wrong one and is thrown away."""
        self._wire.send("*IDN?")
        reply = ""
        for _ in range(_IN_STEP_TRIES):
            reply = self._plain_line("*IDN?")
            if reply == self.identity_text or (not self.identity_text and reply.count(",") >= 2):
                return
        raise LinkError(
            f"*IDN? was answered with {quoted(reply)} instead of "
            f"{quoted(self.identity_text) if self.identity_text else 'an identity'}",
            instrument=self.name,
            next_step="check that no other instrument or program uses this address",
        )

    def _plain_ask(self, text: str) -> str:
        self._wire.send(text)
        return self._plain_line(text)

    def _plain_line(self, asked: str) -> str:
        """Receive a line without the care for timeouts, which is under way already."""
        try:
            return self._wire.line(self._patience_s())
        except HilkitError:
            raise
        except Exception as error:
            doing = f"read the answer to {asked} from {self.resource}"
            raise explain(error, name=self.name, doing=doing) from error

    def close(self) -> None:
        """Close the session; a later use opens it again."""
        self._wire.drop()

    def __enter__(self) -> ScpiLink:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _is_query(text: str) -> bool:
    return "?" in (_QUOTED.sub("", text) if '"' in text or "'" in text else text)

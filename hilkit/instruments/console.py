"""A command line console: a line asked, a line answered, amid echo, prompts and lines that are no answer."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from hilkit.clock import Clock, Deadline
from hilkit.errors import HilkitError, LinkError, RefusedError, ReplyError
from hilkit.instruments.driver_file import LineEntry
from hilkit.instruments.hurry import SHORTEST_S
from hilkit.instruments.lines import LineTransport
from hilkit.instruments.transcript import NOTE, RECEIVED, SENT, NullTranscript, Transcript, quoted, visible

__all__ = ["LineConsole"]

_AFTER_STRANGE_S = 0.3
_FLOOD = 1000
_LATE_S = 0.5


class LineConsole:
    """Asks over a transport and picks the answer out of what the console prints.

    A line is taken for the answer only after the echo of the command (where the console echoes), so that an
    answer left over from before is never taken for this one.
    """

    def __init__(
        self,
        transport: LineTransport,
        manners: LineEntry,
        *,
        name: str,
        clock: Clock,
        timeout_s: float,
        transcript: Transcript | None = None,
    ) -> None:
        self.transport = transport
        self.name = name
        self.timeout_s = timeout_s
        self._manners = manners
        self._clock = clock
        self._transcript: Transcript = transcript if transcript is not None else NullTranscript()
        self._error = re.compile(manners.error)
        self._done = re.compile(manners.done)
        self.probe = ""
        self._under_way = False
        self._mending = False
        self.verify: Callable[[], None] = lambda: None
        """Reads back what was set, after a lost answer; raises a HilkitError where it is no longer so."""
        self.on_retry: Callable[[str], None] = lambda _: None
        """Is told of each question that is asked again, in one sentence."""
        self.hiccups = 0
        """How often something was asked or set again, or answered late."""

    @contextmanager
    def hurried(self, seconds: float) -> Iterator[Deadline]:
        """Let all that is done inside take ``seconds`` at most, answers and a lost link included."""
        before = self.transport.hurry
        self.transport.hurry = deadline = self._clock.deadline(seconds)
        try:
            yield deadline
        finally:
            self.transport.hurry = before

    @property
    def out_of_step(self) -> bool:
        """True after an exchange that broke off and could not be made good."""
        return self._under_way

    @property
    def _patience_s(self) -> float:
        hurry = self.transport.hurry
        return self.timeout_s if hurry is None else max(min(self.timeout_s, hurry.left), SHORTEST_S)

    def set(self, command: str) -> None:
        """Send a command and wait for its confirmation; RefusedError with the console's words."""
        self.exchange(command, self._done.fullmatch)

    def ask(self, question: str, match: Callable[[str], re.Match[str] | None]) -> re.Match[str]:
        """Ask and return the match of the first answer that fits; a lost answer is asked for once more.

        RefusedError for an error line, ReplyError if something else is answered, LinkError for silence.
        """
        try:
            return self.exchange(question, match)
        except (LinkError, ReplyError) as error:
            self.mend(error, f"{question!r} is asked again")
        return self.exchange(question, match)

    def mend(self, error: HilkitError, what: str, *, verify: bool = True) -> None:
        """Get over ``error``: see that all settings are as they were, and tell it.

        Raises ``error`` itself where the link is not back in step, and what the check of the settings raises.
        """
        if self._mending or self._under_way:
            raise error
        hurry = self.transport.hurry is not None
        if isinstance(error, ReplyError) and not hurry:
            self._under_way = True
            self._resync()
            if self._under_way:
                raise error
        self._mending = True
        try:
            if verify and not hurry:
                self.verify()
        finally:
            self._mending = False
        self.hiccups += 1
        text = f"{what}: {error.message.splitlines()[0]}"
        self._transcript.line(self.name, NOTE, text)
        self.on_retry(f"{self.name}: {text}")

    def exchange(self, command: str, match: Callable[[str], re.Match[str] | None]) -> re.Match[str]:
        """Send a command once and return the match of the first answer that fits."""
        if self._under_way and not self._manners.echo:
            # Without an echo nothing tells the answer to this command from the one left over.
            self.transport.recover()
        try:
            self._under_way = True
            found = self._exchange(command, match, self._patience_s)
            self._under_way = False
            return found
        except (RefusedError, ReplyError):
            self._under_way = False
            raise
        except LinkError as error:
            if self.transport.hurry is not None:
                raise
            state = self._resync()
            raise LinkError(
                f"{error.message.removeprefix(self.name + ': ')} ({state})",
                instrument=self.name,
                next_step="check the radio's supply and control line; the transcript shows what it said last",
            ) from error

    def _exchange(
        self, command: str, match: Callable[[str], re.Match[str] | None], timeout_s: float
    ) -> re.Match[str]:
        self._transcript.line(self.name, SENT, command)
        self.transport.send(command)
        echoed = not self._manners.echo
        strange: list[str] = []
        start_s = self._clock.now()
        for _ in range(_FLOOD):
            if self._clock.now() - start_s > 2 * timeout_s:
                break
            line = self.transport.receive(_AFTER_STRANGE_S if strange else timeout_s)
            if line is None:
                raise self._no_answer(command, strange, echoed, timeout_s)
            self._transcript.line(self.name, RECEIVED, line)
            text = self._bare(line)
            if not text:
                continue
            if not echoed:
                echoed = text == command.strip()
                continue
            if error := self._error.fullmatch(text):
                raise self._refused(command, error)
            if found := match(text):
                self.hiccups += self._clock.now() - start_s > _LATE_S
                return found
            strange.append(text)
        raise self._no_answer(command, strange, echoed, timeout_s)

    def _bare(self, line: str) -> str:
        """Return what is left of a line without prompts; nothing if it is none of ours."""
        prompt, text = self._manners.prompt.strip(), line.strip()
        while prompt and text.startswith(prompt):
            text = text[len(prompt) :].strip()
        return "" if self._manners.noise and text.startswith(self._manners.noise) else text

    def _refused(self, command: str, error: re.Match[str]) -> RefusedError:
        groups = error.groupdict()
        said = " ".join(part for part in (groups.get("number"), groups.get("text")) if part) or error[0]
        return RefusedError(
            f"{command!r} was refused: {visible(said, 200)}",
            instrument=self.name,
            next_step="choose a value that the radio allows",
        )

    def _no_answer(self, command: str, strange: list[str], echoed: bool, timeout_s: float) -> HilkitError:
        if strange:
            return ReplyError(
                f"{command!r} was answered with {quoted(strange[0])}, which fits no reply pattern",
                instrument=self.name,
                next_step="check the reply pattern in the driver file; the firmware may have changed",
            )
        missing = "no answer" if echoed else "no echo"
        return LinkError(
            f"{missing} to {command!r} within {timeout_s:.3g} s at {self.transport.address}",
            instrument=self.name,
        )

    def _resync(self) -> str:
        """Bring the link back in step, and say how it went."""
        try:
            self.transport.recover()
            self._transcript.line(self.name, NOTE, "link cleared or opened again")
            if self.probe:
                self._exchange(self.probe, lambda text: re.fullmatch(".+", text), self.timeout_s)
            self._under_way = False
        except HilkitError as error:
            return f"the link could not be brought back in step: {error.message}"
        return "the link is back in step"

    def close(self) -> None:
        """Give the link back."""
        self.transport.close()

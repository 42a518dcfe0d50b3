"""``hilkit talk``."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from hilkit.cli.common import (
    Door,
    is_interactive,
    lab_of,
    lab_option,
    say,
    simulated_door,
    visa_manager,
    visa_option,
)
from hilkit.errors import ExitCode, HilkitError, LinkError, ReplyError, UsageError

if TYPE_CHECKING:
    from hilkit.clock import Clock
    from hilkit.instruments import ScpiLink

__all__ = ["command"]

PROMPT = "> "
RAW_WAIT_S = 1.0
NAME = "instrument"


@click.command("talk")
@click.argument("resource", metavar="RESOURCE")
@click.option("--simulate", metavar="PROFILE", help="Talk to an instrument of this simulated bench.")
@click.option(
    "--raw", is_flag=True, help="Not SCPI (a radio's console): send lines as they are, show what comes."
)
@visa_option
@lab_option
def command(resource: str, simulate: str | None, raw: bool, visa: str, lab_folder: Path | None) -> int:
    """Send lines from the keyboard (or a pipe) to the instrument at RESOURCE and show what it answers.

    A line with a question mark is asked, any other is set. The error queue is read and shown after each line.
    An empty line does nothing; end with Ctrl-D (Ctrl-Z and Enter on Windows).

    With --simulate, RESOURCE may also be the name of the instrument in the profile, such as analyser.
    An instrument that a run holds is refused, as is a run while this goes on.
    Lines go to the instrument as typed: nothing here checks what they do to RF. Exit code 3 if a piped line
    failed.
    """
    with _door(resource, simulate, visa, lab_folder) as (door, where):
        talk = _Raw(door, where) if raw else _Scpi(door, where)
        try:
            failed = _conversation(talk)
        finally:
            talk.close()
    return int(ExitCode.BENCH if failed and not is_interactive() else ExitCode.PASSED)


@contextmanager
def _door(
    resource: str, simulate: str | None, visa: str, lab_folder: Path | None
) -> Iterator[tuple[Door, str]]:
    if simulate is None:
        from hilkit.bench import resource_lock
        from hilkit.clock import WallClock
        from hilkit.instruments.resource import check_resource

        manager = visa_manager(visa)
        try:
            with resource_lock(_checked(resource, check_resource), "by hilkit talk"):
                yield Door(resource_manager=manager, clock=WallClock()), resource
        finally:
            manager.close()
        return
    lab = lab_of(lab_folder)
    with simulated_door(simulate, lab, seed=None) as door:
        if resource not in door.resources and "::" not in resource:
            raise UsageError(
                f"the simulated bench {simulate} has no instrument {resource!r}",
                next_step=f"its instruments are {', '.join(door.resources)}",
            )
        yield door, door.resources.get(resource, resource)


def _conversation(talk: _Scpi | _Raw) -> int:
    """Send every line of standard input; return how many of them failed."""
    failed = sent = 0
    interactive = is_interactive()
    while True:
        if interactive:
            click.echo(PROMPT, nl=False)
        text = sys.stdin.readline()
        if not text:
            if not sent and not interactive:
                say("note: no line came in, so nothing was sent")
            return failed
        if not text.strip():
            continue
        sent += 1
        try:
            answers, errors = talk.line(text.strip())
        except HilkitError as error:
            answers, errors = [], [str(error)]
            if isinstance(talk, _Scpi) and isinstance(error, ReplyError | LinkError):
                errors.append("if this is no SCPI instrument but a console of lines, use --raw")
        for answer in answers:
            click.echo(answer)
        for error_text in errors:
            click.echo(f"error: {error_text}", err=True)
        failed += bool(errors)


class _Scpi:
    """One SCPI instrument."""

    def __init__(self, door: Door, resource: str) -> None:
        self._link = _link(door.resource_manager, resource, door.clock)

    def line(self, text: str) -> tuple[list[str], list[str]]:
        """Send one line; return its answers and the entries of the error queue."""
        from hilkit.instruments.transcript import visible

        answers = []
        if "?" in text:
            answer = self._link.ask(text)
            answers.append(
                "(a block of binary data, not shown)" if answer.startswith("#") else visible(answer, 10_000)
            )
            if answer.startswith("#"):
                self._link.resync()
        else:
            self._link.set(text)
        return answers, [str(entry) for entry in self._link.read_errors()]

    def close(self) -> None:
        """Close the link."""
        self._link.close()


class _Raw:
    """Anything that speaks in lines."""

    def __init__(self, door: Door, resource: str) -> None:
        from hilkit.instruments.resource import check_resource
        from hilkit.instruments.visa import open_session

        self._session: Any = open_session(
            door.resource_manager,
            _checked(resource, check_resource),
            name=NAME,
            clock=door.clock,
            timeout_s=RAW_WAIT_S,
            terminator="\n",
        )

    def line(self, text: str) -> tuple[list[str], list[str]]:
        """Send one line; return whatever comes until nothing has come for a second."""
        from hilkit.instruments.transcript import visible
        from hilkit.instruments.visa import explain, is_timeout

        answers: list[str] = []
        try:
            self._session.write_raw((text + "\n").encode("utf-8"))
            while True:
                answers.append(
                    visible(bytes(self._session.read_raw()).decode("utf-8", "replace").rstrip("\r\n"), 10_000)
                )
        except Exception as error:
            if not is_timeout(error):
                raise explain(error, name=NAME, doing="talk to it") from error
        return answers, []

    def close(self) -> None:
        """Close the session."""
        self._session.close()


def _link(manager: Any, resource: str, clock: Clock) -> ScpiLink:
    from hilkit.instruments import ScpiLink
    from hilkit.instruments.resource import check_resource

    return ScpiLink(manager, _checked(resource, check_resource), name=NAME, clock=clock)


def _checked(resource: str, check: Any) -> str:
    from hilkit.instruments.resource import ResourceProblem

    try:
        return str(check(resource))
    except ResourceProblem as error:
        raise UsageError(f"{resource}: {error.problem}", next_step=f"write {error.write}") from error

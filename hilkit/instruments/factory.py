"""Opening an instrument from its dialect."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from hilkit.clock import Clock
from hilkit.errors import UsageError
from hilkit.instruments.classes import class_names, find_class
from hilkit.instruments.console import LineConsole
from hilkit.instruments.dialect import Dialect
from hilkit.instruments.lines import LineTransport, ProcessLines, VisaLines
from hilkit.instruments.link import ScpiLink
from hilkit.instruments.transcript import Transcript
from hilkit.instruments.visa import ResourceManager

__all__ = ["open_instrument"]


def open_instrument(
    dialect: Dialect,
    *,
    name: str,
    clock: Clock,
    resource_manager: ResourceManager | None = None,
    resource: str = "",
    command: Sequence[str] = (),
    transcript: Transcript | None = None,
) -> Any:
    """Open the instrument at ``resource`` (or behind ``command``) and return an object of its class.

    Nothing is sent: ``identity()`` is the first question. LinkError if the resource cannot be opened,
    UsageError if neither or both of resource and command are given, or a SCPI instrument is to be a process.
    """
    kind = find_class(dialect.instrument_class)
    if kind is None:
        raise UsageError(
            f"{name}: instrument class {dialect.instrument_class!r} of driver {dialect.name} is not known",
            next_step=f"known: {', '.join(class_names())}",
        )
    if bool(resource) == bool(command) or (command and kind.PROTOCOL == "scpi"):
        allowed = "a resource" if kind.PROTOCOL == "scpi" else "a resource or a command, not both"
        raise UsageError(
            f"{name}: a {dialect.instrument_class} needs {allowed}", next_step="correct the bench file"
        )
    build: Any = kind
    if kind.PROTOCOL == "line":
        return build(_console(dialect, name, clock, resource_manager, resource, command, transcript), dialect)
    link = ScpiLink(
        _needed(resource_manager, name),
        resource,
        name=name,
        clock=clock,
        transcript=transcript,
        settings=dialect.link,
    )
    return build(link, dialect)


def _console(
    dialect: Dialect,
    name: str,
    clock: Clock,
    manager: ResourceManager | None,
    resource: str,
    command: Sequence[str],
    transcript: Transcript | None,
) -> LineConsole:
    manners = dialect.line
    assert manners is not None
    timeout_s = dialect.link.timeout_s
    transport: LineTransport
    if command:
        transport = ProcessLines(command, name=name, clock=clock)
    else:
        found = _needed(manager, name)
        transport = VisaLines(found, resource, name=name, clock=clock, settings=dialect.link)
    return LineConsole(transport, manners, name=name, clock=clock, timeout_s=timeout_s, transcript=transcript)


def _needed(manager: ResourceManager | None, name: str) -> ResourceManager:
    if manager is None:
        raise UsageError(
            f"{name}: a VISA resource needs a resource manager to open it", next_step="pass resource_manager="
        )
    return manager

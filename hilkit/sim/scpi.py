"""Commands as a table of patterns, and the header tree that finds them.

A pattern such as ``[:SENSe]:FREQuency:CENTer`` or ``:TRACe<1:4>[:DATA]`` says everything about a header: long
form, short form (the capitals), which nodes may be left out, and the range of a numeric suffix. Matcher, help
and the answer to ``SYSTem:HELP:HEADers?`` derive from it. Source: SCPI-99 volume 1, chapter 6 (program
headers).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from hilkit.sim.parameters import Number, Parameter, short_form
from hilkit.sim.program import Datum
from hilkit.sim.status import ScpiError

__all__ = ["Command", "Tree", "setting"]

Answer = str | bytes
"""What a query yields: response data as text, or raw bytes such as a block."""


@dataclass(frozen=True, kw_only=True)
class Command:
    """One row of an instrument's table.

    ``do(instrument, *values)`` carries out the command form with parameters ``takes``; ``ask(instrument,
    *values)`` answers the query form with parameters ``asks``. The last ``spare`` parameters of either may be
    left out. ``do_waits`` and ``ask_waits`` hold the message back until no operation is pending, and
    ``ask_starts`` is called before that wait; ``open_ended`` marks an answer of arbitrary text, after which
    no other may follow in a message.
    """

    pattern: str
    takes: tuple[Parameter, ...] = ()
    asks: tuple[Parameter, ...] = ()
    do: Callable[..., None] | None = None
    ask: Callable[..., Answer] | None = None
    takes_spare: int = 0
    asks_spare: int = 0
    do_waits: bool = False
    ask_waits: bool = False
    ask_starts: Callable[[Any], None] | None = None
    open_ended: bool = False

    def execute(self, instrument: Any, data: Sequence[Datum]) -> None:
        """Carry out the command form; raises ScpiError."""
        if self.do is None:
            raise ScpiError(-113, f"{self.pattern} is a query only")
        self.do(instrument, *self._values(self.takes, self.takes_spare, data, instrument))

    def answer(self, instrument: Any, data: Sequence[Datum]) -> Answer:
        """Answer the query form; raises ScpiError."""
        if self.ask is None:
            raise ScpiError(-113, f"{self.pattern} has no query")
        return self.ask(instrument, *self._values(self.asks, self.asks_spare, data, instrument))

    def _values(
        self, parameters: Sequence[Parameter], spare: int, data: Sequence[Datum], instrument: Any
    ) -> list[Any]:
        if len(data) > len(parameters):
            raise ScpiError(-108, data[len(parameters)].text[:40])
        if len(data) < len(parameters) - spare:
            raise ScpiError(-109)
        return [kind.read(datum, instrument) for kind, datum in zip(parameters, data, strict=False)]


@dataclass(frozen=True, kw_only=True)
class _SettingQuery(Parameter):
    """The optional MINimum, MAXimum or DEFault of a setting's query."""

    accepts = ("word",)
    of: Parameter

    def convert(self, datum: Datum, instrument: Any) -> Any:
        return self.of.special(datum.text, instrument)


def setting(pattern: str, key: str, kind: Parameter) -> Command:
    """Return the row of a setting that is kept under ``key``: its command, its query, and MIN, MAX, DEF for
    numbers.

    The instrument has ``change(key, value)`` and ``look_up(key)``.
    """

    def do(instrument: Any, value: Any) -> None:
        instrument.change(key, value)

    def ask(instrument: Any, *special: Any) -> str:
        return kind.answer(special[0] if special else instrument.look_up(key), instrument)

    asks = (_SettingQuery(of=kind),) if isinstance(kind, Number) else ()
    return Command(pattern=pattern, takes=(kind,), asks=asks, do=do, ask=ask, asks_spare=len(asks))


_PATTERN = re.compile(r"(\[)?:([A-Z][A-Za-z]*)(?:<(\d+):(\d+)>)?(\])?")
_MNEMONIC = re.compile(r"([A-Z_][A-Z0-9_]*?)(\d*)")


@dataclass(eq=False)
class _Node:
    word: str = ""
    suffixes: tuple[int, int] = (1, 1)
    optional: bool = False
    children: list[_Node] = field(default_factory=list)
    command: Command | None = None

    def named(self, name: str) -> bool:
        return name in (self.word.upper(), short_form(self.word))

    def child(self, word: str, suffixes: tuple[int, int], optional: bool) -> _Node:
        """Return the child of that word, made if need be; optional only if every pattern says so."""
        for node in self.children:
            if node.word == word:
                return node
        node = _Node(word, suffixes, optional)
        self.children.append(node)
        return node

    def reach(self) -> Iterator[_Node]:
        """Yield the children, also those behind nodes that may be left out; near ones first."""
        yield from self.children
        for node in self.children:
            if node.optional:
                yield from node.reach()

    def end(self) -> Command | None:
        """Return the command of a header that ends here, also if the rest of it may be left out."""
        if self.command:
            return self.command
        return next((found for node in self.children if node.optional and (found := node.end())), None)


class Tree:
    """All headers of an instrument."""

    def __init__(self, commands: Iterable[Command]) -> None:
        self._root = _Node()
        self._common: dict[str, Command] = {}
        self._known: dict[tuple[int, str], tuple[Command, _Node]] = {}
        self.commands = tuple(commands)
        for command in self.commands:
            self._add(command)

    @property
    def root(self) -> object:
        """The path at the start of a message."""
        return self._root

    def _add(self, command: Command) -> None:
        if command.pattern.startswith("*"):
            self._common[command.pattern.upper()] = command
            return
        node = self._root
        for opened, word, low, high, _ in _PATTERN.findall(command.pattern):
            node = node.child(word, (int(low), int(high)) if low else (1, 1), bool(opened))
        node.command = command

    def find(self, header: str, path: object) -> tuple[Command, object]:
        """Return the command of ``header`` and the path for the next unit (SCPI-99 volume 1, clause 6.2.4).

        ``path`` is :attr:`root` or what an earlier call returned. Common commands leave it alone. Raises
        ScpiError.
        """
        if header.startswith("*"):
            if (command := self._common.get(header.upper())) is None:
                raise ScpiError(-113, header)
            return command, path
        assert isinstance(path, _Node)
        key = (id(path), header.upper())
        if key not in self._known:
            self._known[key] = self._walk(header, path)
        return self._known[key]

    def _walk(self, header: str, path: _Node) -> tuple[Command, _Node]:
        node = parent = self._root if header.startswith(":") else path
        for mnemonic in header.upper().lstrip(":").split(":"):
            parent, node = node, _step(node, mnemonic, header)
        command = node.end()
        if command is None:
            raise ScpiError(-113, header)
        return command, parent

    def headers(self) -> list[str]:
        """Return every header in pattern form, with ``/qonly/`` or ``/nquery/`` (SCPI-99, 21.10)."""
        return [
            command.pattern + ("" if command.do and command.ask else "/nquery/" if command.do else "?/qonly/")
            for command in self.commands
        ]


def _step(node: _Node, mnemonic: str, header: str) -> _Node:
    if len(mnemonic) > 12:
        raise ScpiError(-112, header)
    match = _MNEMONIC.fullmatch(mnemonic)
    name, suffix = (match[1], match[2]) if match else (mnemonic, "")
    for child in node.reach():
        if child.named(name):
            if suffix and not child.suffixes[0] <= int(suffix) <= child.suffixes[1]:
                raise ScpiError(-114, header)
            return child
    raise ScpiError(-113, header)

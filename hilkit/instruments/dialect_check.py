"""Driver files checked against their instrument class, and made into a dialect."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from hilkit.errors import FileProblems, Problem
from hilkit.instruments.capability import Capability
from hilkit.instruments.capability_check import CapabilityCheck
from hilkit.instruments.classes import InstrumentClass, class_names, find_class
from hilkit.instruments.dialect import Dialect, merged
from hilkit.instruments.file_mistakes import Mistakes, pattern_fault
from hilkit.instruments.visa import SerialSettings
from hilkit.instruments.wire import LinkSettings

if TYPE_CHECKING:
    from hilkit.files import Document
    from hilkit.instruments.driver_file import DriverFile

__all__ = ["build"]

_SECTIONS = (
    "trace",
    "noise_bandwidth_ratio",
    "sweep_time",
    "settling",
    "reading_time",
    "zeroing_time",
    "mute_time",
    "insertion_loss",
    "line",
    "safe_command",
    "order",
)


def build(chain: Sequence[tuple[Document, DriverFile]], problems: Sequence[Problem] = ()) -> Dialect:
    """Return the dialect of a driver file (first) and its bases; ``FileProblems`` with every mistake.

    ``problems`` are those that the files have by themselves; then only their sound parts are in ``chain``.
    """
    return _Builder(chain, problems).build()


class _Builder:
    def __init__(self, chain: Sequence[tuple[Document, DriverFile]], problems: Sequence[Problem]) -> None:
        self.chain = chain
        self.document, self.model = chain[0]
        self.mistakes = Mistakes(chain)
        self.mistakes.problems.extend(problems)
        self._broken = bool(problems)
        self.settings, self.entries = merged(chain)

    def build(self) -> Dialect:
        kind = find_class(self.model.instrument_class)
        if kind is None and "instrument_class" in self.model.model_fields_set:
            self._unknown_class()
        if kind is None or not self._same_class():
            # Of another class everything else would seem wrong.
            raise FileProblems(self.mistakes.in_order())
        self._own_name()
        self._sections(kind)
        self._patterns()
        self._names(kind)
        capabilities = self._capabilities(kind)
        order = self._order(kind)
        if self.mistakes.problems:
            raise FileProblems(self.mistakes.in_order())
        return self._dialect(capabilities, order)

    # --- the checks

    def _unknown_class(self) -> None:
        seen = self.model.instrument_class
        message = "this instrument class is not known"
        self.mistakes.unknown(self.document, ["instrument_class"], message, seen, class_names())

    def _same_class(self) -> bool:
        mine = self.model.instrument_class
        for _, model in self.chain[1:]:
            if model.instrument_class != mine:
                message = f"the base {model.driver} is a {model.instrument_class}, this driver a {mine}"
                self.mistakes.at(self.document, ["base"], message, seen=model.driver)
                return False
        return True

    def _own_name(self) -> None:
        stem, given = self.document.path.stem, self.model.driver
        if "driver" in self.model.model_fields_set and given != stem:
            message = "a driver is called as its file"
            hint = f"write driver: {stem}, or rename the file to {given}.yaml"
            self.mistakes.at(self.document, ["driver"], message, seen=given, allowed=stem, next_step=hint)

    def _written(self, *loc: str) -> bool:
        """Return whether a file of the chain says something there, be it sound or not."""
        return any(document.find(loc).whole for document, _ in self.chain)

    def _sections(self, kind: type[InstrumentClass]) -> None:
        may_have = (*kind.SECTIONS, *kind.OPTIONAL_SECTIONS)
        for section in _SECTIONS:
            given = self.settings.get(section) is not None
            if not given and section in kind.SECTIONS and not (self._broken and self._written(section)):
                message = f"{section} is missing: a {kind.INSTRUMENT_CLASS} needs it"
                self.mistakes.at(self.document, [], message, next_step=f"add {section}:")
            elif given and section not in may_have:
                message = f"a {kind.INSTRUMENT_CLASS} has no {section}"
                self.mistakes.section([section], message, allowed=", ".join(may_have) or "no such section")

    def _patterns(self) -> None:
        query = self.settings.get("error_query", "?")
        if "?" not in query:
            self.mistakes.section(["error_query"], "a query ends in '?'", seen=query)
        line = self.settings.get("line")
        patterns: dict[tuple[str, ...], str] = {("identity",): self.settings.get("identity", "")}
        if line is not None:
            patterns |= {("line", "done"): line.done, ("line", "error"): line.error}
        for loc, pattern in patterns.items():
            if wrong := pattern_fault(pattern):
                self.mistakes.section(loc, f"this pattern is not valid: {wrong}", seen=pattern)

    def _names(self, kind: type[InstrumentClass]) -> None:
        for document, model in self.chain:
            for name in model.capabilities or {}:
                if name not in kind.CAPABILITIES:
                    message = f"a {kind.INSTRUMENT_CLASS} has no capability of this name"
                    loc = ["capabilities", name]
                    self.mistakes.unknown(document, loc, message, name, kind.CAPABILITIES, at_key=True)
        for spec in kind.CAPABILITIES.values():
            lacking = spec.required and spec.name not in self.entries
            if lacking and (not self._broken or not self._written("capabilities", spec.name)):
                message = f"{spec.name} is missing ({spec.meaning})"
                hint = f"add {spec.name}: to capabilities"
                self.mistakes.at(self.document, ["capabilities"], message, next_step=hint)

    def _capabilities(self, kind: type[InstrumentClass]) -> dict[str, Capability]:
        found = {}
        for name, values in self.entries.items():
            if spec := kind.CAPABILITIES.get(name):
                check = CapabilityCheck(spec, values, protocol=kind.PROTOCOL, mistakes=self.mistakes)
                if (capability := check.result()) is not None:
                    found[name] = capability
        return found

    def _order(self, kind: type[InstrumentClass]) -> tuple[str, ...]:
        order: tuple[str, ...] = self.settings.get("order") or ()
        owner = self.mistakes.owner("order")
        for index, name in enumerate(order if kind.ORDERED else ()):
            if name not in kind.ORDERED:
                message = f"{name} is not among the settings that have an order"
                self.mistakes.unknown(owner, ["order", index], message, name, kind.ORDERED)
            elif name in order[:index]:
                self.mistakes.at(owner, ["order", index], f"{name} is here twice", seen=name)
        missing = [name for name in kind.ORDERED if name in self.entries and name not in order]
        if order and missing:
            message = f"{', '.join(missing)} {'is' if len(missing) == 1 else 'are'} missing from the order"
            self.mistakes.at(owner, ["order"], message, next_step="add what is missing where it belongs")
        return tuple(name for name in order if name in self.entries)

    # --- the result

    def _dialect(self, capabilities: dict[str, Capability], order: tuple[str, ...]) -> Dialect:
        get = self.settings.get
        loss = get("insertion_loss")
        return Dialect(
            name=self.model.driver,
            instrument_class=self.model.instrument_class,
            summary=get("summary", ""),
            capabilities=capabilities,
            order=order,
            link=self._link(capabilities.get("operation")),
            identity=get("identity", ""),
            trace=get("trace"),
            noise_bandwidth_ratio=get("noise_bandwidth_ratio"),
            sweep_time=get("sweep_time"),
            settling_s=self._seconds("settling"),
            reading_time_s=self._seconds("reading_time"),
            zeroing_time_s=self._seconds("zeroing_time"),
            mute_time_s=self._seconds("mute_time"),
            insertion_loss_db=loss.db if loss is not None else None,
            self_test=get("self_test"),
            line=get("line"),
            safe_command=tuple(get("safe_command") or ()),
            files=tuple(document.path for document, _ in self.chain),
        )

    def _seconds(self, key: str) -> float:
        given = self.settings.get(key)
        return given.s if given is not None else 0.0

    def _link(self, operation: Capability | None) -> LinkSettings:
        def chosen(key: str) -> Any:
            return self.settings.get(key, getattr(self.model, key))

        usual = LinkSettings()
        terminators, serial = chosen("terminators"), chosen("serial")
        return LinkSettings(
            write_termination=terminators.write,
            read_termination=terminators.read,
            completion=chosen("completion"),
            error_query=chosen("error_query"),
            operation_query=(operation.ask_text if operation else None) or usual.operation_query,
            timeout_s=chosen("timeout").s,
            serial=SerialSettings(baud=serial.baud, flow=serial.flow) if serial else usual.serial,
        )

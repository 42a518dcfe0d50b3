"""One instrument behind its own dialect: what is heard goes to a simulated one that speaks the generic
dialect of its class, and its answers come back in the words of the dialect."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from itertools import islice

from hilkit.errors import HilkitError
from hilkit.instruments import Capability, Dialect
from hilkit.instruments.capability import Value
from hilkit.testing.rehearsal.doubts import Doubts
from hilkit.testing.rehearsal.grammar import Grammar, Heard, free, reads, texts_of, written

__all__ = ["NoAnswer", "Refused", "Speech"]

_MOST_TRIED = 200

Tell = Callable[[str], None]
Ask = Callable[[str], str | None]


class NoAnswer(Exception):
    """The simulated instrument says nothing to this question."""


class Refused(Exception):
    """The simulated instrument refuses; its words, if it has any."""


class Speech:
    """Translates between a dialect and the generic dialect of its class.

    ``tell`` and ``ask`` reach the simulated instrument in the generic dialect. What only the dialect knows is
    kept here and answered as it was set.
    """

    def __init__(
        self, name: str, dialect: Dialect, generic: Dialect, *, tell: Tell, ask: Ask, doubts: Doubts
    ) -> None:
        self.name = name
        self.grammar = Grammar(dialect)
        self._generic = {each.name: free(each) for each in generic.capabilities.values()}
        self._tell, self._ask, self._doubts = tell, ask, doubts
        self._kept: dict[str, Value] = {}

    def forget(self) -> None:
        """Take the settings that only the dialect knows back, as a reset does."""
        self._kept.clear()

    def carry_out(self, heard: Heard) -> None:
        """Do what a command says; ``Refused`` where the simulated instrument does not take it."""
        capability = heard.capabilities[0]
        generic = self._generic.get(capability.name)
        if capability.name == "reset":
            self.forget()
        if heard.value is not None:
            self._kept[capability.name] = heard.value
        if generic is None or generic.set_text is None:
            return
        try:
            text = generic.command(heard.value, instrument=self.name, **heard.arguments)
        except HilkitError:
            # a word or a value that only this dialect has: kept above, and answered from there
            return
        self._kept.pop(capability.name, None)
        self._tell(text)

    def answer(self, heard: Heard) -> str:
        """Return the answer to a question; ``NoAnswer`` where there is none."""
        bits = [each for each in heard.capabilities if each.bit is not None]
        if bits:
            return str(sum(self._bit(each, heard.arguments) for each in bits))
        asked = [(each, *self._value(each, heard.arguments)) for each in heard.capabilities]
        if len(asked) == 1:
            return self._alone(*asked[0], heard.arguments)
        return self._together(asked, heard.arguments)

    def _alone(
        self, capability: Capability, value: Value, groups: Mapping[str, str], arguments: Mapping[str, str]
    ) -> str:
        text = next(written(capability, value, groups, arguments), None)
        if text is not None:
            return text
        shown = next(iter(texts_of(capability, value)))
        self._doubts.add(
            self.name,
            f"the reply pattern of {capability.name}, {capability.reply!r}, leaves no room for {shown}: an "
            "instrument that answers it would not be understood",
        )
        return shown

    def _together(
        self,
        asked: list[tuple[Capability, Value, Mapping[str, str]]],
        arguments: Mapping[str, str],
    ) -> str:
        """Answer a question that several capabilities ask: one text that each of their patterns reads."""
        pool = [next(iter(texts_of(capability, value))) for capability, value, _ in asked if value != ""]
        for capability, value, groups in asked:
            for text in islice(written(capability, value, groups, arguments, pool), _MOST_TRIED):
                if all(reads(other, text, its, arguments) for other, its, _ in asked):
                    return text
        names = " and ".join(capability.name for capability, *_ in asked)
        self._doubts.add(self.name, f"{names} ask the same, but no answer was found that all of them read")
        return self._alone(*asked[0], arguments)

    def _bit(self, capability: Capability, arguments: Mapping[str, str]) -> int:
        value, _ = self._value(capability, arguments)
        assert capability.bit is not None
        return int(bool(value) != capability.inverted) << capability.bit

    def _value(self, capability: Capability, arguments: Mapping[str, str]) -> tuple[Value, Mapping[str, str]]:
        """Return a value as the simulated instrument has it, with further facts of its answer."""
        generic = self._generic.get(capability.name)
        if capability.name in self._kept or generic is None or generic.ask_text is None:
            return self._kept.get(capability.name, _first_value(capability)), {}
        reply = self._ask(generic.query(**arguments))
        if reply is None:
            raise NoAnswer
        found = generic.match(reply, **arguments)
        if found is None:
            raise NoAnswer
        groups = {name: text for name, text in found.groupdict().items() if name != "value" and text}
        if "value" not in found.groupdict():  # an identity, whose facts have groups of their own
            return "", groups
        return generic.value_of(found["value"], instrument=self.name, asked=generic.ask_text), groups


def _first_value(capability: Capability) -> Value:
    """Return what a setting is before anybody has set it."""
    kind = capability.spec.kind
    if kind == "boolean":
        return False
    if kind == "word":
        return next(iter(capability.words), "")
    return "" if kind in ("text", "action") else (capability.limits.minimum or 0.0)

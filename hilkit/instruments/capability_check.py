"""One capability of a driver file checked against what its class declares, and made usable."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, Literal

from hilkit.instruments.capability import Capability, CapabilitySpec, Limits, places
from hilkit.instruments.file_mistakes import Mistakes, pattern_fault
from hilkit.quantities import Fraction, QuantityError, Ratio, limit_number, parse, unit_of_reading

__all__ = ["CapabilityCheck"]

_FLAGS = ("inverted", "overlapped", "optional", "readback")
_NUMBER_KEYS = ("unit", "range", "step", "decade", "tolerance")


class CapabilityCheck:
    """The check of one capability: ``values`` are its keys, merged over the chain of files."""

    def __init__(
        self,
        spec: CapabilitySpec,
        values: Mapping[str, Any],
        *,
        protocol: Literal["scpi", "line"],
        mistakes: Mistakes,
    ) -> None:
        self.spec = spec
        self.values = values
        self._protocol = protocol
        self._mistakes = mistakes
        self._sound = True

    def result(self) -> Capability | None:
        """Return the capability, None if mistakes were noted."""
        spec, values = self.spec, self.values
        self._text("set", "w", {*spec.arguments, *([] if spec.kind == "action" else ["value"])})
        self._text("ask", "r", {*spec.arguments})
        self._reply()
        self._words()
        numbers = self._numbers()
        if not self._sound:
            return None
        return Capability(
            spec=spec,
            set_text=values.get("set"),
            ask_text=values.get("ask"),
            reply=values.get("reply"),
            words=values.get("words") or {},
            bit=values.get("bit"),
            **{flag: values[flag] for flag in _FLAGS if flag in values},
            **numbers,
        )

    def _wrong(self, key: str, message: str, *, item: int | None = None, **parts: str) -> None:
        self._sound = False
        self._mistakes.capability(self.spec.name, key, message, item=item, **parts)

    def _no_quantity(self, key: str, error: QuantityError, item: int | None = None) -> None:
        parts = {"seen": error.seen, "allowed": error.allowed, "next_step": error.next_step}
        self._wrong(key, error.message, item=item, **parts)

    # --- texts

    def _text(self, key: str, access: str, needed: set[str]) -> None:
        spec, text = self.spec, self.values.get(key)
        if text is None:
            read_back = key == "ask" and spec.access == "rw"
            if access in spec.access and (not read_back or self.values.get("readback", True)):
                self._wrong("", f"{spec.name} needs {key}: ({spec.meaning})", next_step=f"add {key}: to it")
        elif access not in spec.access:
            self._wrong(key, f"{spec.name} can only be {'asked' if spec.access == 'r' else 'set'}", seen=text)
        else:
            self._places(key, text, needed)
            if self._protocol == "scpi" and ("?" in text) != (key == "ask"):
                wrong = "a query ends in '?'" if key == "ask" else "a command has no '?'"
                self._wrong(key, wrong, seen=text, next_step="set: holds the command, ask: the query")

    def _places(self, key: str, text: str, needed: set[str]) -> None:
        if not text.isprintable():
            hint = "one command; what ends the line is given under terminators"
            self._wrong(key, "a line end or control character in a command", seen=ascii(text), next_step=hint)
        found, may = set(places(text)), needed | {*self.spec.spare_arguments}
        for name in sorted(found - may):
            allowed = ", ".join(f"{{{place}}}" for place in sorted(may)) or "no places"
            self._wrong(key, f"{{{name}}} stands for nothing here", seen=text, allowed=allowed)
        for name in sorted(needed - found):
            self._wrong(key, f"{{{name}}} is missing", seen=text, next_step="put it where the value goes")

    def _reply(self) -> None:
        written = self.values.get("reply")
        if written is None:
            return
        pattern = re.sub(r"\{[a-z_]+\}", "0", written)
        if wrong := pattern_fault(pattern):
            self._wrong("reply", f"this pattern is not valid: {wrong}", seen=written)
            return
        groups = re.compile(pattern).groupindex
        for group in self.spec.groups:
            if group not in groups:
                self._wrong("reply", f"the group (?P<{group}>...) is missing", seen=written)

    def _words(self) -> None:
        spec, words = self.spec, self.values.get("words")
        ours = ("on", "off") if spec.kind == "boolean" else spec.words
        if words is None:
            if spec.kind == "word":
                self._wrong("", f"{spec.name} needs words:", allowed=", ".join(ours))
            return
        for word in words:
            twin = next((other for other in words if words[other] == words[word]), word)
            if twin != word and spec.access != "r":
                message = f"{word} and {twin} are the same word of the instrument"
                self._wrong("words", message, seen=words[word])
            if word not in ours:
                self._sound = False
                owner = self._mistakes.owner_of(spec.name, "words")
                loc = ["capabilities", spec.name, "words", word]
                self._mistakes.unknown(owner, loc, f"{spec.name} has no such word", word, ours, at_key=True)

    # --- numbers

    def _numbers(self) -> dict[str, Any]:
        spec, values = self.spec, self.values
        if spec.kind not in ("number", "integer"):
            for key in _NUMBER_KEYS:
                if values.get(key) is not None:
                    self._wrong(key, f"{spec.name} is no number", next_step=f"take {key}: away")
            return {}
        if spec.ranged and values.get("range") is None:
            self._wrong("", f"{spec.name} needs range: ({spec.meaning})", next_step="add range: [low, high]")
        edges = values.get("range") or (None, None)
        low, high = (self._number("range", text, item=item) for item, text in enumerate(edges))
        if low is not None and high is not None and low >= high:
            self._wrong(
                "range", "the lowest value comes first", seen=f"{low:.12g} to {high:.12g} {spec.unit}"
            )
        step = self._number("step", values.get("step"), difference=True)
        if step is not None and step <= 0:
            self._wrong("step", "a step is above zero", seen=str(values.get("step")))
        if spec.kind == "integer":
            for item, edge in enumerate((low, high)):
                if edge is not None and edge != round(edge):
                    self._wrong("range", "a whole number is needed here", item=item, seen=f"{edge:g}")
        limits = Limits(minimum=low, maximum=high, step=step, decade=tuple(values.get("decade") or ()))
        return {"scale": self._scale(values.get("unit")), "limits": limits, **self._tolerance()}

    def _tolerance(self) -> dict[str, float]:
        text = self.values.get("tolerance")
        if isinstance(text, str) and text.rstrip().endswith(("%", "ppm")):
            try:
                return {"relative_tolerance": parse(text, Fraction).value}
            except QuantityError as error:
                self._no_quantity("tolerance", error)
        return {"tolerance": self._number("tolerance", text, difference=True) or 0.0}

    def _scale(self, unit: str | None) -> float:
        """Return the size of the instrument's unit in the class's."""
        spec = self.spec
        if unit is None or unit == spec.unit:
            return 1.0
        try:
            kind = unit_of_reading(spec.unit)
            if kind is None or spec.unit.startswith(("dB", "°")):
                has = f"is in {spec.unit}" if kind is not None else "is a plain number without a unit"
                raise QuantityError(f"{spec.name} {has}", seen=unit, allowed=spec.unit)
            return parse(f"1 {unit}", kind).number(spec.unit)
        except QuantityError as error:
            self._no_quantity("unit", error)
            return 1.0

    def _number(
        self, key: str, text: Any, *, difference: bool = False, item: int | None = None
    ) -> float | None:
        """Return a quantity of the file in the class's unit; a difference of levels is a ratio."""
        if text is None:
            return None
        unit = self.spec.unit
        kind = Ratio if difference and unit.startswith("dB") else unit_of_reading(unit)
        try:
            if kind is not None:
                return parse(str(text), kind).number("dB" if kind is Ratio else unit)
            return limit_number(text, unit)
        except QuantityError as error:
            self._no_quantity(key, error, item)
            return None

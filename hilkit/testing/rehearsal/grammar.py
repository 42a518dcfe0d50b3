"""A dialect read backwards: from the text on the wire to the capability, from a value to the answer."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from hilkit.errors import HilkitError
from hilkit.instruments import Capability, Dialect, Limits
from hilkit.instruments.capability import Value
from hilkit.testing.rehearsal.samples import answers

__all__ = ["Grammar", "Heard", "free", "reads", "texts_of", "written"]

_MOST_KNOWN = 2000

_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_OTHERS = {
    "channel": r"\d+",
    "channels": r"[\d,:]+",
    "offset": _NUMBER,
    "first": _NUMBER,
    "second": _NUMBER,
    "level": _NUMBER,
    "waveform": r"[\w.-]+",
}


@dataclass(frozen=True, kw_only=True)
class Heard:
    """What a line asks for: the capabilities that it sets (one) or asks (several may share a text).

    ``value`` is in the unit and the words of the class, ``None`` for an action or a question.
    """

    capabilities: tuple[Capability, ...]
    query: bool
    value: Value | None
    arguments: Mapping[str, str]


@dataclass(frozen=True, kw_only=True)
class _Template:
    pattern: re.Pattern[str]
    literal: int
    capability: Capability
    query: bool


class Grammar:
    """What a dialect can say, as what its instrument understands."""

    def __init__(self, dialect: Dialect) -> None:
        templates = []
        for capability in dialect.capabilities.values():
            for text, query in ((capability.set_text, False), (capability.ask_text, True)):
                if text is not None:
                    templates.append(_template(text, capability, query))
        # The most literal text wins: `lo 1 restart` is no carrier, `tune 1 ?` no start of a calibration.
        self._templates = sorted(templates, key=lambda each: -each.literal)
        self._known: dict[str, Heard | None] = {}

    def hear(self, line: str) -> Heard | None:
        """Return what a line asks for, ``None`` where no text of the dialect fits."""
        text = line.strip()
        if text not in self._known:
            if len(self._known) > _MOST_KNOWN:
                self._known.clear()
            self._known[text] = self._find(text)
        return self._known[text]

    def _find(self, text: str) -> Heard | None:
        for template in self._templates:
            found = template.pattern.fullmatch(text)
            if found is None:
                continue
            arguments = found.groupdict()
            sent = arguments.pop("value", None)
            alike = self._sharing(text, template) if template.query else (template.capability,)
            value = None if sent is None else _value(template.capability, sent)
            return Heard(capabilities=alike, query=template.query, value=value, arguments=arguments)
        return None

    def _sharing(self, text: str, first: _Template) -> tuple[Capability, ...]:
        return tuple(
            each.capability
            for each in self._templates
            if each.query and each.literal == first.literal and each.pattern.fullmatch(text)
        )


def _template(text: str, capability: Capability, query: bool) -> _Template:
    pieces = re.split(r"\{([a-z_]+)\}", text.strip())
    pattern, seen = "", set[str]()
    for number, piece in enumerate(pieces):
        if number % 2 == 0:
            pattern += re.escape(piece)
        elif piece in seen:
            pattern += f"(?P={piece})"
        else:
            seen.add(piece)
            inner = _of_value(capability) if piece == "value" else _OTHERS.get(piece, r"\S+")
            pattern += f"(?P<{piece}>{inner})"
    literal = sum(len(piece) for piece in pieces[::2])
    return _Template(pattern=re.compile(pattern), literal=literal, capability=capability, query=query)


def _of_value(capability: Capability) -> str:
    kind = capability.spec.kind
    if kind in ("number", "integer"):
        return _NUMBER
    if kind == "text":
        return r".*"
    words = capability.words.values() or ("ON", "OFF")
    return "|".join(sorted(map(re.escape, words), key=len, reverse=True))


def _value(capability: Capability, text: str) -> Value:
    """Return the value that was sent, in the class's terms."""
    if capability.spec.kind == "boolean":
        words = capability.words or {"on": "ON", "off": "OFF"}
        return text == words["on"]
    return capability.value_of(text, instrument="", asked=capability.set_text or "")


def free(capability: Capability) -> Capability:
    """Return a capability without its limits: what may be set is for the instrument to say."""
    return replace(capability, limits=Limits())


def _number_texts(value: float) -> Iterable[str]:
    """Yield ways to write a number: which one fits is for the reply pattern to say."""
    if value == round(value):
        yield f"{value:.0f}"
    yield f"{value:.12g}"
    yield from (f"{value:.{digits}f}" for digits in (1, 2, 3, 4, 6))
    yield f"{value:.12E}"
    yield f"{value:+.12E}"


def written(
    capability: Capability,
    value: Value,
    groups: Mapping[str, str],
    arguments: Mapping[str, str],
    pool: Iterable[str] = (),
) -> Iterator[str]:
    """Yield answers that tell ``value`` as the dialect expects it; none where no answer can.

    ``groups`` are texts for the other groups of the reply pattern, ``pool`` texts for its open parts. Each
    answer is read back by the dialect itself: what it would take for another value is no answer.
    """
    pattern = r"(?P<value>.*)" if capability.reply is None else capability.reply
    for name, text in arguments.items():
        pattern = pattern.replace("{" + name + "}", text)
    if "value" not in re.compile(pattern).groupindex:  # an identity, told by groups of other names
        yield from answers(pattern, groups)
        return
    for text in texts_of(capability, value):
        for answer in answers(pattern, {**groups, "value": text}, pool):
            if reads(capability, answer, value, arguments):
                yield answer


def reads(capability: Capability, answer: str, value: Value, arguments: Mapping[str, str]) -> bool:
    """Return whether the dialect takes an answer for this value."""
    try:
        back = capability.read(answer, instrument="", **arguments)
    except HilkitError:
        return False
    return back == value or (_is_number(back, value) and _close(capability, float(value), float(back)))


def texts_of(capability: Capability, value: Value) -> Iterable[str]:
    """Yield the ways in which an instrument may write a value."""
    kind = capability.spec.kind
    if kind == "boolean":
        state = bool(value) != capability.inverted
        if capability.bit is not None:
            return [str(int(state) << capability.bit)]
        return [capability.words["on" if state else "off"]] if capability.words else ["1" if state else "0"]
    if kind == "word":
        word = capability.words.get(str(value), str(value))
        return [word, f'"{word}"']
    if kind == "text":
        return [str(value), f'"{value}"']
    return _number_texts(float(value) / (1.0 if kind == "integer" else capability.scale))


def _is_number(*values: Value) -> bool:
    return all(isinstance(value, (int, float)) and not isinstance(value, bool) for value in values)


def _close(capability: Capability, value: float, back: float) -> bool:
    """Return whether an answer tells the value as exactly as a read-back of it is compared, or to 1 %."""
    return capability.agrees(value, back) or abs(back - value) <= 0.01 * abs(value) + 1e-9

"""What a dialect says is what its counterpart understands, and what it answers the dialect reads."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from hilkit.files import Lab
from hilkit.instruments import Capability, Dialect, load_dialect
from hilkit.instruments.capability import Value, places
from hilkit.testing.rehearsal.grammar import Grammar, reads, written
from tests.testing.rehearsal.files import make_lab

ARGUMENTS = {
    "channel": "1",
    "channels": "101,102",
    "offset": "7500000",
    "first": "6000000",
    "second": "8000000",
    "level": "-6",
    "waveform": "nr20",
    "output": "2",
}


def dialects(folder: Path) -> list[Dialect]:
    lab = Lab(make_lab(folder))
    return [load_dialect(name, lab) for name in lab.names("driver")]


def value_for(capability: Capability) -> Value | None:
    kind, limits = capability.spec.kind, capability.limits
    if kind in ("number", "integer"):
        low = 0.0 if limits.minimum is None else limits.minimum
        value = low if limits.maximum is None else low + (limits.step or (limits.maximum - low) / 4)
        return round(value) if kind == "integer" else value
    if kind == "word":
        return next(iter(capability.words))
    return True if kind == "boolean" else "tone 7500000 -6.0 running" if kind == "text" else None


def arguments_of(text: str) -> dict[str, str]:
    return {name: ARGUMENTS[name] for name in places(text) if name in ARGUMENTS}


def test_every_command_of_every_driver_is_understood(tmp_path: Path) -> None:
    for dialect in dialects(tmp_path):
        grammar = Grammar(dialect)
        for capability in dialect.capabilities.values():
            if capability.set_text is None:
                continue
            value = value_for(capability) if "{value}" in capability.set_text else None
            given = arguments_of(capability.set_text)
            heard = grammar.hear(capability.command(value, instrument="", **given))
            assert heard is not None, (dialect.name, capability.name)
            assert [each.name for each in heard.capabilities] == [capability.name], dialect.name
            assert heard.arguments == given
            if value is not None:
                assert heard.value == (pytest.approx(value) if isinstance(value, float) else value)


def test_every_question_of_every_driver_gets_an_answer_that_it_reads(tmp_path: Path) -> None:
    for dialect in dialects(tmp_path):
        grammar = Grammar(dialect)
        for capability in dialect.capabilities.values():
            if capability.ask_text is None or capability.name == "identity":
                continue
            given = arguments_of(capability.ask_text)
            heard = grammar.hear(capability.query(**given))
            assert heard is not None and heard.query
            assert capability.name in [each.name for each in heard.capabilities]
            value = value_for(capability)
            assert value is not None
            answer = next(written(capability, value, {}, given), None)
            assert answer is not None and reads(capability, answer, value, given), (
                dialect.name,
                capability.name,
            )


def test_what_is_no_text_of_the_dialect_is_not_understood(tmp_path: Path) -> None:
    for dialect in dialects(tmp_path):
        assert Grammar(dialect).hear("open the pod bay doors") is None


def test_the_more_literal_text_wins() -> None:
    """A waveform may have any name; `start` is none where the dialect has a word of that text."""
    dialect = load_dialect("radio_head", Lab())
    waveform = replace(dialect.capabilities["waveform"], set_text="play {channel} {waveform}")
    grammar = Grammar(replace(dialect, capabilities={**dialect.capabilities, "waveform": waveform}))
    for text, name in (("play 1 start", "stream_start"), ("play 1 nr20", "waveform")):
        heard = grammar.hear(text)
        assert heard is not None and heard.capabilities[0].name == name

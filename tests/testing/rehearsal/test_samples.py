"""A text that fits a pattern, with what it has to hold."""

from __future__ import annotations

import re

import pytest

from hilkit.testing.rehearsal.samples import answer_for, answers, sample

PATTERNS = (
    r"ok",
    r"OK|DONE \d+",
    r"ERR(?P<number>-?\d+): (?P<text>.+)",
    r"[^\s,]+,[A-F0-9]{4}\b.*",
    r"(?:a|b)(?P<twice>x+)-(?P=twice)",
    r"^\w+\.\w*$",
    r"(?=x)x\S\D\W",
)


@pytest.mark.parametrize("pattern", PATTERNS)
def test_a_sample_fits_its_pattern(pattern: str) -> None:
    assert re.fullmatch(pattern, sample(pattern))


@pytest.mark.parametrize(
    ("pattern", "fills", "text"),
    [
        (r"lo 1 (?P<value>[\d.]+) (?P<state>\S+)", {"value": "18", "state": "locked"}, "lo 1 18 locked"),
        (r"mend (?P<value>off|on)(?: (?P<progress>\d+))?", {"value": "on", "progress": "45"}, "mend on 45"),
        (r"mend (?P<value>off|on)(?: (?P<progress>\d+))?", {"value": "off"}, "mend off"),
        (r"(?P<value>\d+) dB", {"value": "12.5"}, None),
        (r"(?P<value>\d+)(?: (?P<state>up|down))", {"value": "7", "state": "unheard of"}, "7 up"),
        (r"(?P<value>(?P<kind>\w+) (?P<level>\S+))", {"value": "tone -6"}, "tone -6"),
    ],
)
def test_groups_hold_what_they_are_given(pattern: str, fills: dict[str, str], text: str | None) -> None:
    assert answer_for(pattern, fills) == text


def test_open_parts_take_texts_that_another_pattern_asks_for() -> None:
    """Two questions with one text: each pattern leaves open what the other one reads."""
    found = answers(r"ref=\S+ pll=(?P<value>\S+)", {"value": "LOCK"}, ["EXT"])
    assert any(re.fullmatch(r"ref=(?P<value>EXT|INT) .*", text) for text in found)

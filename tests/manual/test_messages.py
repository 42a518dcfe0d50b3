"""The chapter on messages explains every class of error and every message, and none that does not exist."""

from __future__ import annotations

import re

import pytest

from hilkit.cli.manual_command import chapter
from hilkit.errors import UsageError
from tests.manual.chapters import CHAPTERS, section
from tests.manual.texts import ERROR_CLASSES, all_texts, normal, raised_texts

FILES = "Mistakes in files"


def rows(heading: str) -> list[tuple[str, ...]]:
    """Return message, meaning and cure of each row under a heading."""
    lines = [line for line in section("messages", heading).splitlines() if line.startswith("| `")]
    return [tuple(cell.strip() for cell in re.split(r"(?<!\\)\|", line.strip("| "))) for line in lines]


@pytest.mark.parametrize("name", sorted(ERROR_CLASSES))
def test_every_class_of_error_is_explained_with_its_exit_code(name: str) -> None:
    text = section("messages", name)
    assert text.strip()
    if name != "HilkitError":
        assert f"Exit code {int(ERROR_CLASSES[name].exit_code)}" in text


def test_every_message_has_a_meaning_and_a_cure() -> None:
    for name in (*ERROR_CLASSES, FILES):
        for row in rows(name):
            assert len(row) == 3, row
            assert all(row), row


def test_every_message_of_an_error_is_in_the_chapter() -> None:
    explained = {normal(row[0]) for name in ERROR_CLASSES for row in rows(name)}
    missing = {text: place for text, place in raised_texts().items() if text not in explained}
    told = "\n".join(f"| `{text}` | meaning | cure |  ({place})" for text, place in missing.items())
    assert not missing, f"add to the table of its class in messages.md:\n{told}"


def test_every_message_in_the_chapter_stands_in_the_code() -> None:
    known = all_texts() | set(raised_texts())
    shown = [normal(row[0]) for name in (*ERROR_CLASSES, FILES) for row in rows(name)]
    assert [text for text in shown if text not in known] == []


def test_the_chapter_of_every_hint_exists() -> None:
    """A message that sends the reader to a chapter of the manual names one that is there."""
    named = {found for text in all_texts() for found in re.findall(r"hilkit manual ([a-z_]+)", text)}
    shown = {found for text in CHAPTERS.values() for found in re.findall(r"hilkit manual\s+([a-z_]+)", text)}
    assert shown <= set(CHAPTERS)
    assert all(chapter(name, CHAPTERS) in CHAPTERS for name in named)


@pytest.mark.parametrize(
    ("topic", "meant"),
    [("messages", "messages"), ("bench", "bench_file"), ("first-plan", "first_plan"), ("safe", "safety")],
)
def test_a_chapter_is_found_by_what_a_person_types(topic: str, meant: str) -> None:
    assert chapter(topic, CHAPTERS) == meant


def test_a_topic_that_could_be_two_chapters_is_asked_back() -> None:
    with pytest.raises(UsageError) as caught:
        chapter("first", CHAPTERS)
    assert caught.value.next_step.startswith("did you mean first_bench or first_plan?")

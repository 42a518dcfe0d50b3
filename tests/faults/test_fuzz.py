"""Nothing that a person writes or an instrument answers brings a traceback, a hang or a wrong number."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hilkit.errors import ReplyError
from hilkit.instruments.replies import channel_list, error_entry, number
from tests.faults import fuzz_files, fuzz_replies

FILES = REPLIES = 20_000
SEED = 20261125
SHARE = 100
"""Every run of the tests looks at one in so many."""


def test_bad_files_are_answered_with_mistakes(tmp_path: Path) -> None:
    report = fuzz_files.fuzz(tmp_path, FILES // SHARE, SEED)
    assert report.wrong == []
    assert report.came["mistakes"] > FILES // SHARE / 2


def test_bad_answers_are_never_taken_for_readings() -> None:
    report = fuzz_replies.fuzz(REPLIES // SHARE, SEED)
    assert report.wrong == []
    assert report.came["an error"] > 0


@pytest.mark.long
def test_all_bad_files(tmp_path: Path) -> None:
    report = fuzz_files.fuzz(tmp_path, FILES, SEED)
    print(report)
    assert report.wrong == []


@pytest.mark.long
def test_all_bad_answers() -> None:
    report = fuzz_replies.fuzz(REPLIES, SEED)
    print(report)
    assert report.wrong == []


TREES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=12,
)


@settings(max_examples=60, deadline=None, database=None)
@given(
    kind=st.sampled_from(fuzz_files.KINDS),
    key=st.sampled_from(("plan", "bench", "steps", "paths", "x")),
    tree=TREES,
)
def test_trees_of_every_shape_are_answered_with_mistakes(
    tmp_path_factory: pytest.TempPathFactory, kind: str, key: str, tree: object
) -> None:
    import yaml

    lab = tmp_path_factory.mktemp("lab")
    fuzz_files.lay(lab)
    text = yaml.safe_dump({kind: "x", key: tree}, allow_unicode=True)
    assert fuzz_files.look_at(kind, "mine.yaml", text.encode("utf-8", "surrogatepass"), lab) in (
        "mistakes",
        "refused",
    )


@pytest.mark.parametrize(
    "text", ["1_0", "٣", "½", "1\x1c", "\xa01", "0x1", "1,0", "", "1 2", "1e", "9" * 5000 + "x"]
)
def test_what_the_standard_does_not_write_is_no_number(text: str) -> None:
    """IEEE 488.2-1992, clauses 8.7.2 to 8.7.4; Python's float() takes some of these."""
    with pytest.raises(ReplyError):
        number(text, instrument="it", asked="x?")


def test_lists_and_queues_without_sense_end_at_once() -> None:
    with pytest.raises(ReplyError, match="more channels than any switch has"):
        channel_list("(@1:999999999)", instrument="it", asked="x?")
    with pytest.raises(ReplyError, match="does not begin with a number"):
        error_entry("9" * 5000, instrument="it")

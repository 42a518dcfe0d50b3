"""Tables that repeat data of the code say what the code says, and nothing is left out."""

from __future__ import annotations

import io
import re

import pytest

from hilkit.cli.manual_command import page
from hilkit.procedures import find, names
from hilkit.sim.profile import ProfileFile
from tests.manual.chapters import CHAPTERS, section
from tests.manual.tables import INSTRUMENTS, PROCEDURES, PROFILE_SECTIONS, TABLES, Table, keys_of

PUT_AGAIN = "run: python -m tests.manual.tables"


@pytest.mark.parametrize("table", TABLES, ids=str)
def test_a_table_says_what_the_code_says(table: Table) -> None:
    assert table.text() in section(table.chapter, table.heading), f"{PUT_AGAIN}\n{table.text()}"


def test_every_group_of_a_profile_has_its_section() -> None:
    groups = {key for key, kind, *_ in keys_of(ProfileFile) if kind.removeprefix("text: ") == "keys"}
    assert groups <= {f"`{heading}`" for heading in PROFILE_SECTIONS}


def test_every_procedure_has_its_tables() -> None:
    assert set(PROCEDURES) == set(names())


def test_every_instrument_class_has_its_table() -> None:
    from hilkit.instruments.classes import class_names

    assert set(INSTRUMENTS) == set(class_names())


@pytest.mark.parametrize("procedure", PROCEDURES)
def test_every_reading_of_a_procedure_is_defined_with_its_source(procedure: str) -> None:
    """Columns: readings, definition, how, source."""
    lines = section("measurements", procedure).splitlines()
    rows = [line.strip("| ").split(" | ") for line in lines if line.startswith("| `")]
    assert all(len(row) == 4 and row[3] for row in rows)
    defined = [name for row in rows for name in re.findall(r"`(\w+)`", row[0])]
    assert sorted(defined) == sorted(spec.name for spec in find(procedure).readings)


@pytest.mark.parametrize("name", sorted(CHAPTERS))
def test_no_table_loses_a_word_on_a_narrow_terminal(name: str) -> None:
    from rich.console import Console

    screen = io.StringIO()
    Console(file=screen, width=80).print(page(CHAPTERS[name]))
    assert screen.getvalue().count("…") == CHAPTERS[name].count("…")

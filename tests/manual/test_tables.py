"""Tables that repeat data of the code say what the code says, and nothing is left out."""

from __future__ import annotations

import re

import pytest

from hilkit.procedures import find, names
from tests.manual.chapters import CHAPTERS, section
from tests.manual.tables import INSTRUMENTS, PROCEDURES, TABLES, Table

PUT_AGAIN = "run: python -m tests.manual.tables"


@pytest.mark.parametrize("table", TABLES, ids=str)
def test_a_table_says_what_the_code_says(table: Table) -> None:
    assert table.text() in section(table.chapter, table.heading), f"{PUT_AGAIN}\n{table.text()}"


def test_every_procedure_has_its_tables() -> None:
    assert set(PROCEDURES) == set(names())


def test_every_instrument_class_has_its_table() -> None:
    from hilkit.instruments.classes import class_names

    assert set(INSTRUMENTS) == set(class_names())


def test_every_reading_of_every_procedure_is_defined_with_its_source() -> None:
    """Columns: procedure, reading, definition, how, source."""
    rows = [line.strip("| ").split(" | ") for line in CHAPTERS["measurements"].splitlines() if line[:3] == "| `"]
    defined = [(row[0].strip("`"), reading) for row in rows for reading in re.findall(r"`(\w+)`", row[1])]
    declared = [(name, spec.name) for name in names() for spec in find(name).readings]
    assert sorted(defined) == sorted(declared)
    assert all(len(row) == 5 and row[4] for row in rows)

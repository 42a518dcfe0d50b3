"""The model of a bench file, its table of elements and its schema say the same."""

from __future__ import annotations

from typing import get_args

import jsonschema  # type: ignore[import-untyped]

from hilkit.bench import BenchFile
from hilkit.bench.model import ELEMENT_KINDS, ElementEntry, Kind
from hilkit.files import library, load, schema


def test_every_kind_of_element_has_its_row() -> None:
    assert tuple(ELEMENT_KINDS) == get_args(Kind)


def test_a_row_names_keys_that_exist() -> None:
    keys = set(ElementEntry.model_fields)
    for row in ELEMENT_KINDS.values():
        assert {*row.must, *row.one_of, *row.may} <= keys
        assert row.meaning


def test_the_shipped_bench_fits_the_schema() -> None:
    described = schema(BenchFile)
    jsonschema.Draft202012Validator.check_schema(described)
    document = load(library() / "sim_profiles" / "simulated_pier.bench.yaml")
    jsonschema.validate(document.data, described, cls=jsonschema.Draft202012Validator)

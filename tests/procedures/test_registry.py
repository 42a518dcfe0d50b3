"""Procedures are found by name, and declare themselves as data."""

import importlib.metadata
import json

import pytest

from hilkit.errors import UsageError
from hilkit.procedures import PROCEDURES, find, names, registry
from hilkit.procedures.bring_up import BringUp
from hilkit.quantities import unit_of_reading
from tests.manual.tables import PROCEDURES as OWN


@pytest.fixture(autouse=True)
def fresh_registry():
    registry._known.cache_clear()
    yield
    registry._known.cache_clear()


def install(monkeypatch, *points):
    monkeypatch.setattr(registry, "entry_points", lambda group: points)


def entry_point(name, value):
    return importlib.metadata.EntryPoint(name=name, value=value, group=registry.ENTRY_POINT_GROUP)


class Another(BringUp):
    name = "another"


def test_all_procedures_of_the_manual_are_there():
    assert tuple(PROCEDURES) == OWN == names()[: len(OWN)]


@pytest.mark.parametrize("name", OWN)
def test_a_procedure_declares_itself_as_plain_data(name):
    declared = find(name).describe()
    assert json.loads(json.dumps(declared))["name"] == name
    assert "channel" in declared["settings"]["required"]


@pytest.mark.parametrize("name", OWN)
def test_every_reading_has_a_unit_that_limits_know_and_a_meaning(name):
    for spec in find(name).readings:
        unit_of_reading(spec.unit)
        assert spec.meaning


@pytest.mark.parametrize("name", OWN)
def test_every_setting_has_words_for_the_manual(name):
    for setting, schema in find(name).describe()["settings"]["properties"].items():
        assert schema.get("description"), setting


def test_an_unknown_name_is_answered_with_the_known_ones():
    with pytest.raises(UsageError, match="power_sweep") as caught:
        find("power_swep")
    assert "did you mean power_sweep" in str(caught.value)


def test_an_installed_package_adds_a_procedure(monkeypatch):
    install(monkeypatch, entry_point("another", f"{__name__}:Another"))
    assert isinstance(find("another"), Another)
    assert names() == (*OWN, "another")


def test_a_name_in_use_is_refused(monkeypatch):
    install(monkeypatch, entry_point("mine", "hilkit.procedures.bring_up:BringUp"))
    with pytest.raises(UsageError, match="a name in use"):
        names()


def test_an_entry_point_that_does_not_load_is_named(monkeypatch):
    install(monkeypatch, entry_point("broken", "no.such.module:Thing"))
    with pytest.raises(UsageError, match=r"broken .* does not load"):
        find("bring_up")


def test_an_entry_point_that_is_no_procedure_is_named(monkeypatch):
    install(monkeypatch, entry_point("odd", "json:dumps"))
    with pytest.raises(UsageError, match="no Procedure class"):
        find("bring_up")

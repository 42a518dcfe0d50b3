"""The JSON Schema of the plan file, with every procedure's settings and readings, for editors."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from hilkit.files import schema
from hilkit.judgement import LimitFile
from hilkit.plans.decision import DecisionFile
from hilkit.plans.load import known_procedures
from hilkit.plans.plan import PlanFile
from hilkit.plans.published import PublishedFile
from hilkit.procedures.contract import Procedure
from hilkit.quantities import difference_unit
from hilkit.readings import ReadingSpec

__all__ = ["plan_schema"]

_COMPUTED = {
    "type": "string",
    "pattern": r"\$|\s[+-]\s",
    "description": "$name, or a sum such as $carrier + 20 MHz",
}


def plan_schema(procedures: Mapping[str, Procedure[Any]] | None = None) -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of a plan; its steps name ``procedures``, all if not given."""
    known = known_procedures() if procedures is None else procedures
    whole = schema(PlanFile)
    definitions: dict[str, Any] = whole.setdefault("$defs", {})
    steps: dict[str, Any] = {}
    for name, procedure in known.items():
        steps[name] = _step(procedure, definitions)
    whole["properties"]["vary"]["additionalProperties"] = {
        "type": "array",
        "minItems": 1,
        "items": {"type": ["string", "number", "boolean"]},
    }
    whole["properties"]["steps"]["items"] = {
        "type": "object",
        "properties": steps,
        "additionalProperties": False,
        "minProperties": 1,
        "maxProperties": 1,
    }
    return whole


def _step(procedure: Procedure[Any], definitions: dict[str, Any]) -> dict[str, Any]:
    settings = _settings(procedure)
    for model, definition in settings.pop("$defs", {}).items():
        definitions[f"{procedure.name}.{model}"] = definition
    properties = {name: _or_computed(field) for name, field in settings.get("properties", {}).items()}
    properties["id"] = {
        "type": "string",
        "description": "name of the step; that of the procedure if not given",
    }
    properties["decision"] = {
        **_bare(schema(DecisionFile)),
        "description": "the decision rule of this step; that of the plan if not given",
    }
    properties["limits"] = {
        "type": "object",
        "description": "reading: limit",
        "additionalProperties": False,
        "properties": {spec.name: _limits(spec) for spec in procedure.readings},
    }
    return {
        "type": ["object", "null"] if not settings.get("required") else "object",
        "description": procedure.summary,
        "properties": properties,
        "required": settings.get("required", []),
        "additionalProperties": False,
    }


def _settings(procedure: Procedure[Any]) -> dict[str, Any]:
    """Return the schema of the settings, references renamed: two procedures may have models of one name."""
    text = json.dumps(schema(procedure.settings_model))
    renamed: dict[str, Any] = json.loads(text.replace('"#/$defs/', f'"#/$defs/{procedure.name}.'))
    return renamed


def _or_computed(field: dict[str, Any]) -> dict[str, Any]:
    told: dict[str, Any] = {key: field[key] for key in ("description", "default") if key in field}
    return {**told, "anyOf": [field, _COMPUTED]}


def _limits(spec: ReadingSpec) -> dict[str, Any]:
    one, other = _limit(spec), _standard(spec)
    return {
        "description": f"{spec.meaning} ({'count' if spec.unit == '1' else spec.unit})",
        "anyOf": [one, other, {"type": "array", "items": {"anyOf": [one, other]}, "minItems": 1}],
    }


def _standard(spec: ReadingSpec) -> dict[str, Any]:
    one = schema(PublishedFile)
    if spec.phases:
        one["properties"]["phase"] = {"enum": list(spec.phases), "default": spec.final_phase}
    else:
        del one["properties"]["phase"]
    return _bare(one)


def _limit(spec: ReadingSpec) -> dict[str, Any]:
    one = schema(LimitFile)
    parts = one.pop("$defs")
    properties = one["properties"]
    for key in ("min", "max", "nominal", "within"):
        field = properties[key]
        field.pop("examples", None)
        unit = difference_unit(spec.unit) if key == "within" else spec.unit
        field["description"] += "" if unit == "1" else f", in {unit}"
    told = properties["relative_to"]["description"]
    properties["relative_to"] = {**_bare(parts["ReferenceFile"]), "description": told}
    if spec.series:
        items = {**_bare(parts["MaskEntry"]), "description": f"at: {spec.index_name or 'index'}"}
        told = properties["mask"]["description"]
        properties["mask"] = {"type": "array", "minItems": 2, "items": items, "description": told}
    else:
        del properties["mask"]
    if spec.phases:
        properties["phase"] = {"enum": list(spec.phases), "default": spec.final_phase}
    else:
        del properties["phase"]
    return _bare(one)


def _bare(whole: dict[str, Any]) -> dict[str, Any]:
    """Return a schema without what belongs to a document of its own."""
    return {key: value for key, value in whole.items() if key not in ("$schema", "title", "description")}

"""The JSON schema of a plan file, for editors.

Notes
-----
A plan that extends another one may leave out everything its base says, at every level, and may remove
anything with `null`. So keys are required only at the top and only without `extends`; what a mapping needs
is said in its description and checked by `roomplan check`.
"""

from __future__ import annotations

from typing import Any

from roomplan.plan.names import LONGEST_NAME, NAME_PATTERN
from roomplan.plan.shape import PlanShape
from roomplan.plan.values import OTHERWISE

__all__ = ["DIALECT", "plan_schema", "titled"]

_NULL = {"type": "null"}
DIALECT = "https://json-schema.org/draft/2020-12/schema"


def _removable(schema: dict[str, Any]) -> dict[str, Any]:
    """Return the schema of a mapping's value which `null` may stand in for."""
    about = {key: schema[key] for key in ("title", "description", "default") if key in schema}
    rest = {key: value for key, value in schema.items() if key not in about}
    if about.get("default", 0) is None:
        del about["default"]
    forms = rest["anyOf"] if set(rest) == {"anyOf"} else [rest]
    return {**about, "anyOf": [*forms, *([] if _NULL in forms else [_NULL])]}


def _loosened(schema: Any) -> Any:
    """Return a schema whose mappings may be partial and whose values may be removed."""
    if isinstance(schema, list):
        return [_loosened(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    loose = {key: value if key in {"default", "enum"} else _loosened(value) for key, value in schema.items()}
    if loose.get("type") != "object":
        return loose
    required = loose.pop("required", [])
    if "properties" in loose:
        loose["properties"] = {
            key: _removable(_noted(value, required=key in required))
            for key, value in loose["properties"].items()
        }
    if isinstance(loose.get("additionalProperties"), dict):
        loose["additionalProperties"] = _removable(loose["additionalProperties"])
        loose["propertyNames"] = {"minLength": 1, "maxLength": LONGEST_NAME, "pattern": NAME_PATTERN}
    return loose


def _noted(schema: dict[str, Any], *, required: bool) -> dict[str, Any]:
    """Return the schema of a key whose description says what its absence means."""
    noted = {key: value for key, value in schema.items() if key != OTHERWISE}
    otherwise = f"If left out: {schema[OTHERWISE]}." if OTHERWISE in schema else ""
    note = "Required." if required else otherwise
    return {**noted, "description": f"{schema.get('description', '')} {note}".strip()}


def titled(schema: dict[str, Any]) -> dict[str, Any]:
    """Return the schema with titles as keys are written, not as classes are named."""
    for properties in [schema["properties"], *(shape["properties"] for shape in schema["$defs"].values())]:
        for key, value in properties.items():
            value["title"] = key
    for name, shape in schema["$defs"].items():
        shape["title"] = name.removesuffix("Shape")
    return schema


def plan_schema() -> dict[str, Any]:
    """Return the JSON schema (draft 2020-12) of a plan file.

    Returns
    -------
    dict
        With a description and the unit of every key, limits, and the words that are accepted.

    Notes
    -----
    A plan that satisfies the schema may still have problems: names that do not exist, a note value without
    a tempo, two keys that exclude each other.
    """
    schema = titled(_loosened(PlanShape.model_json_schema(mode="validation")))
    return {
        "$schema": DIALECT,
        **schema,
        "title": "roomplan plan",
        "anyOf": [{"required": ["extends"]}, {"required": ["rooms", "sections"]}],
    }

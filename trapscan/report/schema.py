"""The contract of scan.json as a JSON Schema (draft 2020-12), generated from the types and shipped beside them."""

from __future__ import annotations

import json
from importlib import resources
from typing import Any

import msgspec

from trapscan.contract import Scan

SCHEMA_FILE = "scan.schema.json"


def scan_schema() -> dict[str, Any]:
    """The JSON Schema of scan.json, generated from `trapscan.contract.Scan`."""
    (root,), components = msgspec.json.schema_components([Scan], ref_template="#/$defs/{name}")
    definitions = dict(components)
    scan = dict(definitions.pop("Scan"))
    assert root == {"$ref": "#/$defs/Scan"}
    for part in definitions.values():  # a docstring's indentation differs between versions of Python
        if "description" in part:
            part["description"] = " ".join(part["description"].split())
    plain = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "trapscan scan.json",
        **{key: value for key, value in scan.items() if key not in ("title", "description")},
        "$defs": definitions,
    }
    value = json.loads(json.dumps(plain))  # tuples become lists, as in the file
    assert isinstance(value, dict)
    return value


def schema_text() -> str:
    """`scan_schema` as the text of the shipped file: keys sorted, one newline at the end."""
    return json.dumps(scan_schema(), indent=2, sort_keys=True) + "\n"


def shipped_schema() -> dict[str, Any]:
    """The schema file that the package ships."""
    text = resources.files("trapscan.report").joinpath(SCHEMA_FILE).read_text(encoding="utf-8")
    loaded = json.loads(text)
    assert isinstance(loaded, dict)
    return loaded

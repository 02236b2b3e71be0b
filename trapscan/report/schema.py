"""The contract of scan.json as a JSON Schema (draft 2020-12), generated from the types and shipped beside them."""

from __future__ import annotations

import inspect
import json
from importlib import resources
from typing import Any

import msgspec

from trapscan import contract
from trapscan.contract import Scan

SCHEMA_FILE = "scan.schema.json"


def scan_schema() -> dict[str, Any]:
    """The JSON Schema of scan.json, generated from `trapscan.contract.Scan`."""
    (root,), components = msgspec.json.schema_components([Scan], ref_template="#/$defs/{name}")
    definitions = dict(components)
    scan = dict(definitions.pop("Scan"))
    assert root == {"$ref": "#/$defs/Scan"}
    for name, part in definitions.items():
        if "description" in part:
            part["description"], explained = explanations(getattr(contract, name))
            for field, text in explained.items():
                part["properties"][field] = part["properties"][field] | {"description": text}
    plain = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "trapscan scan.json",
        **{key: value for key, value in scan.items() if key not in ("title", "description")},
        "$defs": definitions,
    }
    value = json.loads(json.dumps(plain))  # tuples become lists, as in the file
    assert isinstance(value, dict)
    return value


def explanations(record: type) -> tuple[str, dict[str, str]]:
    """What a record's docstring says of it, and of its fields by name, those of its bases included."""
    inherited: dict[str, str] = {}
    for base in record.__bases__:
        if issubclass(base, contract.Record) and base is not contract.Record:
            inherited |= explanations(base)[1]
    about, _, rest = inspect.cleandoc(record.__doc__ or "").partition("\n\n")
    fields = set(getattr(record, "__struct_fields__", ()))
    found: list[tuple[list[str], list[str]]] = []
    for line in rest.splitlines():
        names, colon, text = line.partition(": ")
        if colon and fields.issuperset(names.split(", ")):
            found.append((names.split(", "), [text]))
        elif found:
            found[-1][1].append(line)
        else:
            about += " " + line
    own = {name: " ".join(" ".join(text).split()) for names, text in found for name in names}
    return " ".join(about.split()), inherited | own


def schema_text() -> str:
    """`scan_schema` as the text of the shipped file: keys sorted, one newline at the end."""
    return json.dumps(scan_schema(), indent=2, sort_keys=True) + "\n"


def shipped_schema() -> dict[str, Any]:
    """The schema file that the package ships."""
    text = resources.files("trapscan.report").joinpath(SCHEMA_FILE).read_text(encoding="utf-8")
    loaded = json.loads(text)
    assert isinstance(loaded, dict)
    return loaded

"""Writes the JSON Schema of the what-if file, which is derived from the records of the changes.

Run ``python -m router.whatif.changes.make_schema`` after changing a record; a test compares the committed file.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from router.formats.make_schema import HERE
from router.whatif.changes.records import FORMAT, KINDS, WhatIfRecord

SCHEMA_FILE = HERE / "schema" / "what-if.schema.json"


def what_if_schema() -> str:
    """JSON Schema (draft 2020-12) of a what-if file: each change by the fields of its kind, in a settled order."""
    whole = WhatIfRecord.model_json_schema()
    shared: dict[str, Any] = {}
    kinds: dict[str, Any] = {}
    for kind, record in KINDS.items():
        schema = record.model_json_schema()
        shared |= schema.pop("$defs", {})
        schema["properties"]["change"] = {"const": kind, "description": "kind of change"}
        kinds[kind] = schema
    whole["properties"]["changes"]["items"] = {"oneOf": [{"$ref": f"#/$defs/{kind}"} for kind in KINDS]}
    whole |= {"description": "A what-if file: named changes to a scenario folder.", "$defs": {**shared, **kinds}}
    made = {"$schema": "https://json-schema.org/draft/2020-12/schema", **whole, "title": FORMAT}
    return json.dumps(made, indent=2, ensure_ascii=False) + "\n"


def derived_files() -> dict[Path, str]:
    """Path and text of the derived file."""
    return {SCHEMA_FILE: what_if_schema()}


if __name__ == "__main__":
    for path, text in derived_files().items():
        path.write_text(text, encoding="utf-8")

"""Writes what is derived from the models: the JSON Schemas and the field tables of FORMAT.md.

Run ``python -m router.formats.make_schema`` after changing a model; a test compares the committed files.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

from pydantic import BaseModel
from pydantic_core import PydanticUndefined

from router.formats import model_machines, model_network, model_order, model_sites, siting_file

HERE = Path(__file__).parent
_BLOCK = re.compile(r"(<!-- fields: (\w+) -->\n).*?(<!-- end -->)", re.DOTALL)


def schema_text(model: type[BaseModel], title: str) -> str:
    """JSON Schema (draft 2020-12) of a model, settled order."""
    schema = {"$schema": "https://json-schema.org/draft/2020-12/schema", **model.model_json_schema(), "title": title}
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


def field_table(model: type[BaseModel]) -> str:
    """A Markdown table of a record's fields."""
    rows = ["| field | needed | meaning |", "|---|---|---|"]
    for name, info in model.model_fields.items():
        default = info.get_default(call_default_factory=False)
        if default is PydanticUndefined:
            needed = "yes"
        elif default is None or default == "" or isinstance(default, (list, dict, BaseModel)):
            needed = "no"
        else:
            needed = f"no: {_shown(default)}"
        rows.append(f"| `{name}` | {needed} | {info.description} |")
    return "\n".join(rows) + "\n"


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, tuple):
        return "mon-fri" if value == (0, 1, 2, 3, 4) else str(value)
    return f"{value:g}" if isinstance(value, float) else f"{value:%H:%M}" if hasattr(value, "hour") else str(value)


def format_page(page: str) -> str:
    """The page with every field table renewed."""
    records = {
        name: record
        for module in (model_machines, model_network, model_order, model_sites)
        for name, record in vars(module).items()
        if isinstance(record, type) and issubclass(record, BaseModel)
    }
    return _BLOCK.sub(lambda m: f"{m[1]}{field_table(records[m[2]])}{m[3]}", page)


def derived_files() -> dict[Path, str]:
    """Path and text of every derived file."""
    page = HERE / "FORMAT.md"
    return {
        HERE / "schema" / "network.schema.json": schema_text(model_network.NetworkRecord, "platewright network 1"),
        HERE / "schema" / "order-line.schema.json": schema_text(model_order.OrderRecord, "platewright order line"),
        HERE / "schema" / "candidates.schema.json": schema_text(siting_file.QuestionRecord, siting_file.FORMAT),
        page: format_page(page.read_text(encoding="utf-8")),
    }


if __name__ == "__main__":
    for path, text in derived_files().items():
        path.write_text(text, encoding="utf-8")

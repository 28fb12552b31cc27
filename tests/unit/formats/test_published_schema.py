"""The committed schemas and field tables are those of the models, and the page's example is a sound network."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from router.formats import make_schema
from router.formats.network_file import inspect_network
from router.formats.order_book import COLUMNS, REQUIRED


@pytest.mark.parametrize("path", list(make_schema.derived_files()), ids=lambda p: p.name)
def test_committed_file_is_current(path: Path) -> None:
    assert path.read_text(encoding="utf-8") == make_schema.derived_files()[path], (
        "run python -m router.formats.make_schema"
    )


def test_every_record_has_its_table() -> None:
    page = (make_schema.HERE / "FORMAT.md").read_text(encoding="utf-8")
    schema = json.loads((make_schema.HERE / "schema" / "network.schema.json").read_text(encoding="utf-8"))
    tables = set(re.findall(r"<!-- fields: (\w+) -->", page))
    assert tables == {*schema["$defs"], "NetworkRecord", "OrderRecord"}


def test_every_field_says_what_it_is() -> None:
    for name in ("network", "order-line"):
        schema = json.loads((make_schema.HERE / "schema" / f"{name}.schema.json").read_text(encoding="utf-8"))
        for record in [schema, *schema.get("$defs", {}).values()]:
            assert record["additionalProperties"] is False
            assert all(field.get("description") for field in record["properties"].values()), record["title"]


def test_columns_of_the_schema_are_those_of_the_reader() -> None:
    schema = json.loads((make_schema.HERE / "schema" / "order-line.schema.json").read_text(encoding="utf-8"))
    assert tuple(schema["properties"]) == COLUMNS
    assert tuple(schema["required"]) == REQUIRED


def test_example_of_the_page_is_sound() -> None:
    page = (make_schema.HERE / "FORMAT.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```yaml\n(.*?)```", page, re.DOTALL)
    reading = inspect_network(example.encode())
    assert reading.faults == ()
    assert reading.network is not None

"""The committed schema of what-if files is that of the records, and says of files what the reader says."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from router.formats.siting_file import FORMAT as CANDIDATES
from router.formats.yaml_reader import read_yaml
from router.kernel.faults import FaultyInput
from router.whatif.changes import make_schema, read_what_if
from router.whatif.changes.records import KINDS

SCENARIOS = Path(__file__).parents[3] / "scenarios"
HEAD = "format: platewright what-if 1\nname: A trial\nchanges:\n"


def _data(path: Path) -> Any:
    """As YAML 1.2 has it: ``on`` is a word."""
    return read_yaml(path.read_bytes(), path.name).data


@pytest.fixture(scope="module")
def schema() -> dict[str, object]:
    read: dict[str, object] = json.loads(make_schema.SCHEMA_FILE.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(read)
    return read


def test_committed_file_is_current() -> None:
    for path, text in make_schema.derived_files().items():
        assert path.read_text(encoding="utf-8") == text, "run python -m router.whatif.changes.make_schema"


def test_every_kind_and_every_field_says_what_it_is(schema: dict[str, object]) -> None:
    records = schema["$defs"]
    assert isinstance(records, dict)
    assert set(KINDS) <= set(records)
    for record in (schema, *records.values()):
        assert record["additionalProperties"] is False
        assert all(field.get("description") for field in record["properties"].values()), record["title"]


@pytest.mark.parametrize("path", sorted((SCENARIOS / "whatif").glob("*.yaml")), ids=lambda p: p.name)
def test_samples_fit_the_schema(schema: dict[str, object], path: Path) -> None:
    data = _data(path)
    jsonschema.validate(data, schema, jsonschema.Draft202012Validator)
    assert read_what_if(path).changes


@pytest.mark.parametrize(
    "change",
    [
        "{change: fly}",
        "{change: close_site}",
        "{change: demand, factor: -1}",
        "{change: retire_machine, machine: K1, site: kassel}",
        "{change: add_site, id: x, like: braga, country: ES, city: Vigo, machines: []}",
    ],
)
def test_what_the_reader_refuses_the_schema_refuses(schema: dict[str, object], tmp_path: Path, change: str) -> None:
    path = tmp_path / "trial.yaml"
    path.write_text(HEAD + f"  - {change}\n", encoding="utf-8")
    with pytest.raises(FaultyInput):
        read_what_if(path)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(_data(path), schema)


def test_sample_of_candidates_fits_its_schema() -> None:
    schema = json.loads((make_schema.SCHEMA_FILE.parent / "candidates.schema.json").read_text(encoding="utf-8"))
    data = _data(SCENARIOS / "where_next" / "candidates.yaml")
    assert data["format"] == CANDIDATES
    jsonschema.validate(data, schema)
    data["terms"]["growth"] = {"value": 0.1}
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(data, schema)

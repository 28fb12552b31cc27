"""Words a request may use: one that is not known is refused with the nearest that is, never passed over."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from fastapi import Request
from pydantic import BaseModel, ConfigDict

from router.api.asking import PREFIX, Asks
from router.formats.wording import found as found_text
from router.formats.wording import one_of
from router.kernel.faults import Fault, FaultyInput


class Asked(BaseModel):
    """Base of everything that is sent as JSON: no keys but those of the model."""

    model_config = ConfigDict(extra="forbid")


def known_query(request: Request, actor: Asks) -> None:
    """Raises FaultyInput for words of the query that the operation does not know. The asker is settled before."""
    known = [p["name"] for p in _documented(request).get("parameters", ()) if p["in"] == "query"]
    unknown = [word for word in request.query_params if word not in known]
    if unknown:
        raise FaultyInput([unknown_word("the query", word, known) for word in unknown])


def body_words(request: Request, inside: Sequence[str] = ()) -> list[str]:
    """Keys of the JSON body of the operation, or of what stands under some keys of it."""
    schemas = request.app.openapi()["components"]["schemas"]
    schema = _followed(schemas, body_kinds(request).get("application/json", {}).get("schema", {}))
    for key in inside:
        schema = _followed(schemas, schema.get("properties", {}).get(key, {}))
    return list(schema.get("properties", ()))


def body_told(request: Request, path: Sequence[str]) -> str:
    """What the document says of a field of the JSON body; of the nearest above it where it says nothing of its own."""
    schemas = request.app.openapi()["components"]["schemas"]
    schema = _followed(schemas, body_kinds(request).get("application/json", {}).get("schema", {}))
    said = ""
    for key in path:
        field = schema.get("properties", {}).get(key, {})
        said = str(field.get("description", said))
        schema = _followed(schemas, field)
    return said


def body_kinds(request: Request) -> Mapping[str, Any]:
    """Media types of the body of the operation, with what the document says of each."""
    kinds: Mapping[str, Any] = _documented(request).get("requestBody", {}).get("content", {})
    return kinds


def _followed(schemas: Mapping[str, Any], schema: Mapping[str, Any]) -> Mapping[str, Any]:
    found: Mapping[str, Any] = schemas.get(str(schema.get("$ref", "")).rsplit("/", 1)[-1], schema)
    return found


def unknown_word(where: str, word: str, known: Iterable[str]) -> Fault:
    """The fault of a word that is not known, with the nearest that is."""
    names = list(known)
    return Fault("request", where, found_text(word)[1:-1], "a word that is not known", one_of(word, names))


def _documented(request: Request) -> Mapping[str, Any]:
    """What the document says of the operation asked for."""
    paths = request.app.openapi()["paths"]
    path = request.scope["route"].path
    operation: Mapping[str, Any] = paths.get(f"{PREFIX}{path}", paths.get(path, {})).get(request.method.lower(), {})
    return operation

"""What cannot be read, in words: bodies that are no JSON or not of the kind asked for, texts that cannot be kept."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from fastapi import Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException

from router.api.asking import Asks
from router.api.words import body_kinds, body_told, body_words, unknown_word
from router.formats.wording import found as found_text
from router.kernel.faults import Fault, FaultyInput
from router.kernel.texts import unkeepable

_MOST_FAULTS = 20
_AROUND = 20
"""Characters shown of what stands where a body stops being JSON."""
_WANTED: Mapping[str, str] = {
    "Expecting value": 'a value: text in double quotes, a number, true, false, null, [...] or {"key": value}',
    "Expecting property name enclosed in double quotes": "a key in double quotes, or } at the end",
    "Illegal trailing comma before end of object": "no comma before }",
    "Illegal trailing comma before end of array": "no comma before ]",
    "Expecting ',' delimiter": "a comma, or the end of what is open",
    "Expecting ':' delimiter": "a colon after the key",
    "Extra data": "nothing after the end of the value",
    "Unterminated string starting at": "a double quote where the text that begins here ends",
    "Invalid control character at": "line ends and tabs in a text as \\n and \\t",
    "Invalid \\escape": 'after \\ one of " \\ / b f n r t u; a \\ itself as \\\\',
    "Invalid \\uXXXX escape": "four hexadecimal digits after \\u",
    "Unexpected UTF-8 BOM (decode using utf-8-sig)": "UTF-8 without a byte order mark",
}
"""By what the reader of JSON (RFC 8259) says, what would be right."""


def faults_of(request: Request, error: RequestValidationError) -> list[Fault]:
    """Everything about a request that its operation does not take."""
    return [_fault(request, wrong, error.body) for wrong in error.errors()]


def no_json(error: RequestValidationError) -> bool:
    """Whether the body could not even be read."""
    return [wrong["type"] for wrong in error.errors()] == ["json_invalid"]


def _fault(request: Request, wrong: Mapping[str, Any], body: Any) -> Fault:
    if wrong["type"] == "json_invalid":
        return _not_json(str(body), int(wrong["loc"][-1]), str(wrong["ctx"]["error"]))
    *above, last = [str(part) for part in wrong["loc"]] or [""]
    where = ".".join(above)
    if wrong["type"] == "extra_forbidden":
        return unknown_word(f"the {where}", last, body_words(request, above[1:]))
    if tuple(wrong["loc"]) == ("body",):
        return Fault("request", "", "body", _kind(wrong.get("input")), _object_wanted(request))
    given = repr(wrong.get("input"))[:80].encode("utf-8", "replace").decode()
    want = str(wrong["msg"]).lower()
    if wrong["type"] == "missing":
        given = "nothing"
    if above[:1] == ["body"] and (told := body_told(request, [*above[1:], last])):
        want = f"{want}: {told}"
    return Fault("request", where, last, given, want)


def _not_json(text: str, place: int, said: str) -> Fault:
    line, column = text.count("\n", 0, place) + 1, place - text.rfind("\n", 0, place)
    there = text[place : place + _AROUND]
    found = "its end" if not there.strip() else found_text(there)
    # "Invalid \\escape: " and the like carry a colon, depending on the version of the library.
    want = _WANTED.get(said.rstrip(": "), "JSON (RFC 8259)")
    return Fault("the body is no JSON", f"line {line}", f"column {column}", found, want)


def _kind(sent: Any) -> str:
    if sent is None or sent == b"":
        return "nothing"
    if isinstance(sent, bytes):
        return f"{len(sent)} bytes that are not said to be JSON"
    return found_text(sent)


def _object_wanted(request: Request) -> str:
    words = body_words(request)
    keys = f" with keys of {', '.join(words)}" if words else ""
    return f"a JSON object{keys}, sent with Content-Type: application/json"


def why_unread(error: HTTPException) -> str:
    """What is told of a request that the framework refused."""
    cause = error.__cause__
    if isinstance(cause, UnicodeDecodeError):
        byte = cause.object[cause.start]
        return f"the body is no text in UTF-8: byte 0x{byte:02x} after {cause.start} bytes; send JSON in UTF-8"
    if isinstance(cause, RecursionError):
        return "the body is nested too deep to be read; send what the operation asks for, a few levels"
    if isinstance(cause, ValueError) and error.status_code == 400:
        return "the body cannot be read as JSON; numbers have at most some hundreds of digits"
    if error.status_code == 405:
        return f"it takes {(error.headers or {}).get('allow') or (error.headers or {}).get('Allow', 'others')}"
    return str(error.detail)


async def kept_whole(request: Request, actor: Asks) -> None:
    """Raises FaultyInput for texts no database takes, wherever they stand: address, query, JSON, fields, file names.

    Said for every operation, before anything is looked up by them. The asker is settled before.
    """
    faults: list[Fault] = []
    for where, text in await _texts(request):
        wrong = unkeepable(text)
        if wrong is not None:
            faults.append(Fault("request", where, "", wrong, "text without it"))
        if len(faults) == _MOST_FAULTS:
            break
    if faults:
        raise FaultyInput(faults)


async def _texts(request: Request) -> list[tuple[str, str]]:
    found = [("path", str(value)) for value in request.path_params.values()]
    found += [("query", text) for pair in request.query_params.multi_items() for text in pair]
    kind = request.headers.get("content-type", "").split(";")[0].strip().lower()
    taken = body_kinds(request)
    # Both have been read before this is asked; what cannot be read is told by whoever read it.
    if "application/json" in taken and kind.startswith("application/") and kind.endswith("json"):
        try:
            found += _in_json(await request.json())
        except (ValueError, RecursionError):
            return found
    elif "multipart/form-data" in taken and kind == "multipart/form-data":
        for name, value in (await request.form()).multi_items():
            found += [("form", name), ("form", value if isinstance(value, str) else value.filename or "")]
    return found


def _in_json(sent: Any) -> Iterator[tuple[str, str]]:
    """Every text in JSON values, keys too, with the key above it; as deep as it goes."""
    waiting: list[tuple[str, Any]] = [("", sent)]
    while waiting:
        key, value = waiting.pop()
        if isinstance(value, str):
            yield f"body{key}", value
        elif isinstance(value, list):
            waiting += ((key, x) for x in value)
        elif isinstance(value, dict):
            for inner, x in value.items():
                yield f"body{key}", inner
                waiting.append((f".{inner}" if unkeepable(inner) is None else key, x))

"""The forms of the pages, found by going through them as a reader would; sent with hostile texts in their fields."""

from __future__ import annotations

import random
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from html.parser import HTMLParser
from urllib.parse import urlencode, urlsplit

from fastapi.testclient import TestClient
from httpx import Response

_MOST_PAGES = 250
_ALIKE = 2
"""Pages of one kind that are looked at: of a line, a plate, a plan."""
_NO_TEXT = ("submit", "button", "reset", "file", "image")
VERSION, TOKEN = "version", "token"
NEVER = "999"
"""A version nothing has: a form that names it changes nothing, whatever else is in it."""


@dataclass
class PageForm:
    """A form as a page holds it."""

    action: str
    method: str
    fields: dict[str, str] = field(default_factory=dict)
    files: list[str] = field(default_factory=list)

    @property
    def kind(self) -> tuple[str, str]:
        """Forms of one kind differ in what they are about only."""
        return self.method, kind_of(self.action)

    @property
    def attackable(self) -> list[str]:
        """Fields a text can be put into; the token has attacks of its own."""
        return sorted(name for name in self.fields if name != TOKEN)


def kind_of(path: str) -> str:
    """A path with what it is about left open."""
    parts = urlsplit(path).path.split("/")
    return "/".join("*" if re.search(r"\d", part) else part for part in parts)


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.forms: list[PageForm] = []
        self._open: PageForm | None = None
        self._select: str | None = None
        self._area: str | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = {name: value or "" for name, value in attrs}
        if tag == "a" and "download" not in told:
            self.links.append(told.get("href", ""))
        elif tag == "form":
            self._open = PageForm(told.get("action", ""), told.get("method", "get").upper())
            self.forms.append(self._open)
        elif self._open is not None:
            self._field(self._open, tag, told)

    def _field(self, form: PageForm, tag: str, told: dict[str, str]) -> None:
        name = told.get("name", "")
        if tag == "input" and told.get("type") == "file":
            form.files.append(name)
        elif (tag == "input" and name and told.get("type") not in _NO_TEXT) or (tag == "button" and name):
            form.fields.setdefault(name, told.get("value", ""))
        elif tag == "textarea" and name:
            self._area = name
            form.fields[name] = ""
        elif tag == "select" and name:
            self._select = name
            form.fields.setdefault(name, "")
        elif tag == "option" and self._select and ("selected" in told or not form.fields[self._select]):
            form.fields[self._select] = told.get("value", "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._open = None
        elif tag == "textarea":
            self._area = None
        elif tag == "select":
            self._select = None

    def handle_data(self, data: str) -> None:
        if self._open is not None and self._area:
            self._open.fields[self._area] += data


def read_page(text: str) -> tuple[list[str], list[PageForm]]:
    """Links and forms of a page."""
    reader = _Reader()
    reader.feed(text)
    return reader.links, reader.forms


def forms_of(client: TestClient) -> list[PageForm]:
    """Forms of all kinds that a reader who is signed in comes upon, one of each kind and set of fields."""
    waiting, seen = ["/"], {"/"}
    looked: dict[str, int] = {}
    found: dict[tuple[tuple[str, str], tuple[str, ...]], PageForm] = {}
    while waiting and sum(looked.values()) < _MOST_PAGES:
        address = waiting.pop(0)
        kind = kind_of(address)
        if looked.get(kind, 0) >= _ALIKE:
            continue
        looked[kind] = looked.get(kind, 0) + 1
        answer = client.get(address)
        if not answer.headers.get("content-type", "").startswith("text/html"):
            continue
        links, forms = read_page(answer.text)
        for form in forms:
            found.setdefault((form.kind, tuple(form.attackable)), form)
        for link in links:
            if link.startswith("/") and not link.startswith(("//", "/api/", "/static/")) and link not in seen:
                seen.add(link)
                waiting.append(link)
    return [form for form in found.values() if form.attackable or form.files]


def send_form(
    client: TestClient, form: PageForm, texts: Sequence[str], rng: random.Random
) -> tuple[str, Response, bool]:
    """Send a form with a hostile text in one field, now and then in all.

    What was sent in short, the answer, and whether the form is one that may have changed something.
    """
    fields = dict(form.fields)
    if VERSION in fields:
        fields[VERSION] = NEVER
    names = form.attackable
    attacked = names if rng.random() < 0.2 else [rng.choice(names)] if names else []
    if TOKEN in fields and rng.random() < 0.05:
        attacked = [*attacked, TOKEN]
    for name in attacked:
        fields[name] = rng.choice(texts)
    told = f"{form.method} {form.action} {', '.join(attacked)}: {', '.join(repr(fields[x])[:40] for x in attacked[:3])}"
    sent = {name: value.encode("utf-8", "surrogatepass") for name, value in fields.items()}
    if form.method == "GET":
        return told, client.get(f"{form.action}?{urlencode({n: v[:2000] for n, v in sent.items()})}"), False
    if form.files:
        odd = rng.choice(texts).encode("utf-8", "replace").decode()[:100]
        answer = client.post(form.action, data=sent, files=dict.fromkeys(form.files, (odd, b"line,order\n")))
    else:
        kind = {"Content-Type": "application/x-www-form-urlencoded"}
        answer = client.post(form.action, content=urlencode(sent), headers=kind)
    taken = TOKEN in attacked or (fields.get(VERSION) == NEVER and answer.status_code == 303)
    if taken and answer.status_code < 400:
        answer.status_code = 599  # a form of no page, or one that names a version nothing has
    return told, answer, VERSION not in fields and answer.status_code < 400

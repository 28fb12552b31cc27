"""People and rights, own tokens, and the trail of changes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from fastapi import APIRouter, Request
from fastapi.responses import Response

from router.kernel.faults import Fault, FaultyInput
from router.service import people as use
from router.service.records import JobKind, Role
from router.service.rights import SCOPES
from router.service.trail import list_trail
from router.web.forms import Form, Posted
from router.web.reading import NumberAsked, NumberInPath, Reader, SignedIn
from router.web.rendering import done, page

routes = APIRouter()
_ON_RUNS = frozenset({"stop", *(f"ask {kind.value}" for kind in JobKind)})
_ROLES = [(r.value, r.value) for r in Role]


@routes.get("/people")
def people(reader: SignedIn) -> Response:
    """Everybody with a log-in."""
    return _people(reader)


def _people(reader: Reader, shown: use.NewPerson | None = None) -> Response:
    found = use.list_people(reader.desk, reader.actor)
    return page(
        reader, "people.html.j2", title="People", here="/people", people=found, roles=_ROLES, shown=shown,
        remarks=use.remarks_on(reader.desk, reader.actor, shown.person) if shown else (),
        sites_of=lambda p: ", ".join(sorted(map(_site_word(reader), p.sites), key=str.casefold)),
    )  # fmt: skip


@routes.post("/people")
def add(reader: SignedIn, form: Posted) -> Response:
    """Add somebody; the one-time password stands on the answer and nowhere else."""
    made = use.add_person(
        reader.desk, reader.actor, form.text("name"), _role(form), _sites(reader, form), _words(form, "codes")
    )
    return _people(reader, made)


@routes.post("/people/{person_id}")
def change(request: Request, reader: SignedIn, form: Posted, person_id: NumberInPath) -> Response:
    """Change what somebody may."""
    person = use.change_person(
        reader.desk,
        reader.actor,
        person_id,
        form.whole("version"),
        _role(form),
        _sites(reader, form),
        _words(form, "codes"),
        form.text("active") == "yes",
    )
    said = "".join(f" Remark: {x}." for x in use.remarks_on(reader.desk, reader.actor, person))
    return done(request, "/people", f"{person.name} is changed.{said}")


@routes.post("/people/{person_id}/password")
def reset(reader: SignedIn, form: Posted, person_id: NumberInPath) -> Response:
    """A new one-time password."""
    return _people(reader, use.reset_password(reader.desk, reader.actor, person_id))


def _role(form: Form) -> Role:
    try:
        return Role(form.text("role"))
    except ValueError as wrong:
        known = ", ".join(r.value for r in Role)
        raise FaultyInput([Fault("form", "", "role", form.text("role") or "nothing", known)]) from wrong


def _site_word(reader: Reader) -> Callable[[str], str]:
    """How a site is written in the form: by its name, or by its id where the name would not be read back as it."""
    names = Counter(n.casefold() for n in reader.clock.site_names.values())

    def word(site_id: str) -> str:
        name = reader.clock.name_of(site_id)
        plain = not set(name) & set(",;") and name == name.strip()
        return name if plain and names[name.casefold()] == 1 else site_id

    return word


def _sites(reader: Reader, form: Form) -> list[str]:
    """Sites written by name or id, as ids; what is neither is left for the use case to refuse."""
    word = _site_word(reader)
    ids = {word(site_id).casefold(): site_id for site_id in reader.clock.site_names}
    return [w if w in reader.clock.site_names else ids.get(w.casefold(), w) for w in _words(form, "sites")]


def _words(form: Form, name: str) -> list[str]:
    return [w.strip() for w in form.text(name).replace(";", ",").split(",") if w.strip()]


@routes.get("/tokens")
def tokens(reader: SignedIn) -> Response:
    """Own tokens for programs."""
    return _tokens(reader, "")


def _tokens(reader: Reader, text: str) -> Response:
    found = use.own_tokens(reader.desk, reader.actor)
    return page(reader, "tokens.html.j2", title="Tokens", here="", tokens=found, scopes=list(SCOPES), text=text)


@routes.post("/tokens")
def new_token(reader: SignedIn, form: Posted) -> Response:
    """Make a token; its text stands on the answer and nowhere else."""
    _, text = use.new_token(
        reader.desk, reader.actor, form.text("name"), form.many("scopes"), form.whole("days", 1, 366)
    )
    return _tokens(reader, text)


@routes.post("/tokens/{sha256}/revoke")
def revoke(request: Request, reader: SignedIn, form: Posted, sha256: str) -> Response:
    """End a token."""
    use.revoke_token(reader.desk, reader.actor, sha256)
    return done(request, "/tokens", "The token is ended.")


@routes.get("/trail")
def trail(reader: SignedIn, before: NumberAsked | None = None) -> Response:
    """Who did what, newest first."""
    found = list_trail(reader.desk, reader.actor, before, 100)
    following = f"/trail?before={found[-1].trail_id}" if len(found) == 100 else ""
    pages = {"said": "", "first": "/trail" if before else "", "next": following}
    return page(reader, "trail.html.j2", title="Trail of changes", here="", trail=found, pages=pages, asked=_ON_RUNS)

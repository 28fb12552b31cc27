"""Templates to answers: one environment, one way to make a page, one way to answer a change."""

from __future__ import annotations

from functools import lru_cache
from typing import Any
from urllib.parse import urlsplit

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from jinja2 import Environment
from markupsafe import Markup

from router.report.svg import definitions
from router.report.templates_of import templates_of
from router.report.wording import count, full_day, number, signed_money
from router.service.records import Role
from router.web import marks
from router.web.assets import address
from router.web.reading import NOTICE_COOKIE, Choices, Reader, as_notice, choices

NAVIGATION: tuple[tuple[str, str], ...] = (
    ("Today", "/"),
    ("Orders", "/orders"),
    ("Schedule", "/schedule"),
    ("Plates", "/plates"),
    ("Floor", "/floor"),
    ("Network", "/network"),
    ("Plans", "/plans"),
    ("What if", "/what-if"),
)


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The templates of this room; everything put into them is escaped unless it is `Markup`."""
    made = templates_of("router.web")
    made.filters["full_day"] = full_day
    made.filters["number"] = number
    made.filters["count"] = count
    made.globals["static"] = address
    made.globals["hatches"] = Markup(definitions())
    made.globals["signed_money"] = signed_money
    made.globals["mark"] = marks.mark
    return made


def page(reader: Reader, template: str, *, title: str, here: str, status: int = 200, **values: Any) -> Response:
    """A page for somebody signed in.

    ``here`` is the address of the entry of the navigation the page belongs to. Templates extend ``base.html.j2``
    and see ``reader``, ``title`` and the values given.
    """
    navigation = list(NAVIGATION)
    if reader.actor.person.role is Role.ADMINISTRATOR:
        navigation.append(("People", "/people"))
    text = environment().get_template(template).render(
        reader=reader, choices=reader.choices, measures=reader.choices.measures, title=title, here=here,
        navigation=navigation, **values,
    )  # fmt: skip
    answer = HTMLResponse(text, status, headers={"Cache-Control": "no-store"})
    if reader.notice:
        answer.delete_cookie(NOTICE_COOKIE, path="/")
    return answer


def plain_page(request: Request, template: str, *, title: str, status: int = 200, **values: Any) -> Response:
    """A page for somebody who may not be signed in: no navigation, no reader."""
    made: Choices = choices(request)
    text = environment().get_template(template).render(reader=None, choices=made, title=title, here="", **values)
    return HTMLResponse(text, status, headers={"Cache-Control": "no-store"})


def done(request: Request, to: str, said: str = "") -> Response:
    """Answer to a change that was made: on to a page (303), which shows ``said`` once."""
    answer = RedirectResponse(own_address(to), 303)
    if said:
        answer.set_cookie(
            NOTICE_COOKIE, as_notice(said), max_age=60, path="/", httponly=True, samesite="lax",
            secure=is_secure(request),
        )  # fmt: skip
    return answer


def is_secure(request: Request) -> bool:
    """Whether cookies are for HTTPS only: by the setting, whatever a proxy does or does not say of the connection."""
    return bool(request.app.state.behind_https) or request.url.scheme == "https"


def own_address(to: str) -> str:
    """The address if it lies on this server, else the first page: nobody is sent elsewhere by a link."""
    try:
        parts = urlsplit(to)
    except ValueError:  # e.g. a bracket that is never closed
        return "/"
    local = to.startswith("/") and not to.startswith(("//", "/\\")) and not parts.scheme and not parts.netloc
    return to if local and not any(ord(c) < 32 for c in to) else "/"

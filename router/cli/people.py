"""Commands for people and their tokens: the same use cases as the pages, in the name of somebody with a log-in."""

from __future__ import annotations

import getpass
from dataclasses import replace
from typing import Annotated

import typer

from router.bootstrap import Settings, open_desk
from router.kernel.faults import Conflict, NotFound
from router.service import people as use
from router.service.console import (
    actor_at_console,
    note_console,
    people_at_console,
    person_named,
    refuse_own_end,
)
from router.service.desk import Desk
from router.service.ports import Secret
from router.service.records import Actor, Role
from router.service.rights import SCOPES, WHAT_A_ROLE_MAY, WHAT_A_SCOPE_MAY

_ROLES = "; ".join(f"{role.value}: {WHAT_A_ROLE_MAY[role]}" for role in Role)
_SCOPES = "; ".join(f"{scope}: {what}" for scope, what in WHAT_A_SCOPE_MAY.items())

people_app = typer.Typer(
    no_args_is_help=True, help=f"People with a log-in: list, make, switch off.\n\nRoles: {_ROLES}."
)
token_app = typer.Typer(
    no_args_is_help=True,
    help="Tokens for programs: list, make, switch off. A token may do at most what its owner may.\n\n"
    f"Scopes: {_SCOPES}.",
)

Database = Annotated[str | None, typer.Option("--database", help="The database the server uses.")]
AsWhom = Annotated[
    str | None,
    typer.Option("--as", help="Administrator who acts; needed to change something when several have set a password."),
]
ForWhom = Annotated[str, typer.Option("--for", help="Whose token: it may do at most what its owner may.")]


@people_app.command("list")
def list_people(as_whom: AsWhom = None, database: Database = None) -> None:
    """Everybody with a log-in, one a line: name, role, sites, codes, standing."""
    desk = _desk(database)
    people = people_at_console(desk) if as_whom is None else use.list_people(desk, actor_at_console(desk, as_whom))
    for person in people:
        sites, codes = ", ".join(sorted(person.sites)) or "-", ", ".join(sorted(person.cleared_codes)) or "-"
        standing = "active" if person.active else "switched off"
        typer.echo("\t".join((person.name, person.role.value, sites, codes, standing)))


@people_app.command("make")
def make_person(
    name: Annotated[str, typer.Argument(help="Log-in name.")],
    role: Annotated[Role, typer.Option("--role", help="What they may do.")],
    site: Annotated[list[str] | None, typer.Option("--site", help="A site of a site operator; repeat it.")] = None,
    code: Annotated[list[str] | None, typer.Option("--code", help="An export code cleared for; repeat it.")] = None,
    as_whom: AsWhom = None,
    database: Database = None,
) -> None:
    """Add somebody; prints the one-time password."""
    desk = _desk(database)
    actor = _acting(desk, as_whom, "people make")
    made = use.add_person(desk, actor, name, role, site or (), code or ())
    for remark in use.remarks_on(desk, actor, made.person):
        typer.echo(f"Remark: {remark}", err=True)
    typer.echo(f"{made.person.name} is added; the one-time password is shown once and has to be changed:", err=True)
    typer.echo(made.password)


@people_app.command("switch-off")
def switch_off_person(
    name: Annotated[str, typer.Argument(help="Log-in name.")],
    yes: Annotated[bool, typer.Option("--yes", help="Also where it is your own log-in.")] = False,
    as_whom: AsWhom = None,
    database: Database = None,
) -> None:
    """End somebody's log-in, sessions and tokens. Nobody is ever deleted: the trail names them."""
    desk = _desk(database)
    actor = actor_at_console(desk, as_whom)
    person = person_named(use.list_people(desk, actor), name)
    if not yes:
        refuse_own_end(actor, person)
    note_console(desk, actor, "people switch-off", getpass.getuser())
    use.change_person(
        desk, actor, person.person_id, person.version, person.role, person.sites, person.cleared_codes, active=False
    )
    typer.echo(f"{person.name} is switched off")


@token_app.command("list")
def list_tokens(for_whom: ForWhom, database: Database = None) -> None:
    """Somebody's tokens, one a line: number, name, scopes, last use, end."""
    desk = _desk(database)
    for token in use.own_tokens(desk, actor_at_console(desk, for_whom)):
        scopes = ", ".join(sorted(token.scopes or ()))
        used, ends = f"used {token.used_at:%Y-%m-%d}", f"ends {token.ends_at:%Y-%m-%d}"
        typer.echo("\t".join((token.sha256[:12], token.name, scopes, used, ends)))


@token_app.command("make")
def make_token(
    name: Annotated[str, typer.Argument(help="What it is for.")],
    for_whom: ForWhom,
    scope: Annotated[list[str], typer.Option("--scope", help=f"One of {', '.join(SCOPES)}; repeat it.")],
    days: Annotated[int, typer.Option("--days", help="Days until it ends.")] = 90,
    database: Database = None,
) -> None:
    """Make a token; prints its text, which is shown this once."""
    desk = _desk(database)
    _, text = use.new_token(desk, _acting(desk, for_whom, "token make"), name, scope, days)
    typer.echo(text)


@token_app.command("switch-off")
def switch_off_token(
    token: Annotated[str, typer.Argument(help="Number or name, as `platewright token list` shows it.")],
    for_whom: ForWhom,
    database: Database = None,
) -> None:
    """End a token."""
    desk = _desk(database)
    actor = _acting(desk, for_whom, "token switch-off")
    found = _one_of(use.own_tokens(desk, actor), token, actor)
    use.revoke_token(desk, actor, found.sha256)
    typer.echo(f"token {found.name} of {actor.name} is ended")


def _one_of(tokens: list[Secret], named: str, actor: Actor) -> Secret:
    found = [t for t in tokens if t.name == named or (len(named) >= 6 and t.sha256.startswith(named.casefold()))]
    if not found:
        raise NotFound(f"{actor.name} has no token {named!r}; there are {', '.join(t.name for t in tokens) or 'none'}")
    if len(found) > 1:
        raise Conflict(f"{actor.name} has {len(found)} tokens {named!r}; name it by its number")
    return found[0]


def _desk(database: str | None) -> Desk:
    settings = Settings.from_environment()
    return open_desk(replace(settings, database=database or settings.database), there=True)


def _acting(desk: Desk, name: str | None, command: str) -> Actor:
    actor = actor_at_console(desk, name)
    note_console(desk, actor, command, getpass.getuser())
    return actor

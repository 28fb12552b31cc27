"""Who acts at the command line of the machine the service runs on: a person there is, with their own rights."""

from __future__ import annotations

from router.kernel.faults import Conflict, NotFound
from router.service.changes import noted
from router.service.desk import Desk
from router.service.records import Actor, Person, Role

NOBODY_YET = "nobody has a log-in yet; start `platewright serve` once, sign in and set a password"


def actor_at_console(desk: Desk, name: str | None) -> Actor:
    """The person of a name; without one the only active administrator, those who never set a password left out where
    others did. Raises NotFound, Conflict when several are.

    Whoever reads the database file can do as they like with it; naming somebody keeps rights and trail as they are
    everywhere else.
    """
    everybody = people_at_console(desk)
    if name is not None:
        return Actor(person_named(everybody, name))
    found = [p for p in everybody if p.role is Role.ADMINISTRATOR and p.active]
    found = [p for p in found if not p.must_change_password] or found
    if len(found) != 1:
        raise Conflict(f"name who you are with --as: {', '.join(p.name for p in found) or 'an administrator'}")
    return Actor(found[0])


def people_at_console(desk: Desk) -> list[Person]:
    """Everybody with a log-in, for whoever reads the database file: to see who there is takes no name."""
    with desk.store.look() as work:
        everybody = work.people.all()
    if not everybody:
        raise NotFound(NOBODY_YET)
    return everybody


def refuse_own_end(actor: Actor, person: Person) -> None:
    """Raises Conflict where somebody would end their own log-in without having said that they mean it."""
    if person.person_id == actor.person.person_id:
        raise Conflict(f"that ends your own log-in, sessions and tokens, {person.name}; say --yes if you mean it")


def person_named(people: list[Person], name: str) -> Person:
    """Somebody by log-in name, compared without case. Raises NotFound."""
    person = next((p for p in people if p.name.casefold() == name.strip().casefold()), None)
    if person is None:
        raise NotFound(f"no person {name!r}; there are {', '.join(p.name for p in people)}")
    return person


def note_console(desk: Desk, actor: Actor, command: str, system_user: str) -> None:
    """Leave in the trail that what follows is done at the command line, and by which user of the machine."""
    with desk.store.begin() as work:
        noted(work, desk, actor, "command line", command, {"system_user": system_user})

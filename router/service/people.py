"""People: signing in, sessions, tokens, passwords. What proves somebody is shown once and kept as a hash."""

from __future__ import annotations

import hashlib
import hmac
import secrets as random_secrets
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerifyMismatchError

from router.kernel.faults import Conflict, Fault, FaultyInput, NotFound, NotOneself, NotSignedIn, Refused, TooOften
from router.report.wording import count
from router.service.changes import noted
from router.service.desk import Desk
from router.service.names import site_faults
from router.service.passwords import MOST_CHARACTERS, password_faults
from router.service.ports import Secret, Work
from router.service.receipts import Once, keep, refuse_again
from router.service.records import Actor, Person, Role
from router.service.rights import SCOPES, Operation, require

SESSION_IDLE = timedelta(hours=8)
SESSION_MOST = timedelta(days=7)
TOKEN_MOST = timedelta(days=366)
ATTEMPTS_COUNT_FOR = timedelta(minutes=15)
_MOST_A_NAME_AND_ADDRESS = 5
"""Failed attempts for one name from one address; counted by both, so that nobody locks out others from afar."""
_MOST_AN_ADDRESS = 50
_LONGEST_NAME, _MOST_NAMES = 100, 200
"""Of sites and codes of a person."""
_TOUCH_EVERY = timedelta(minutes=1)
_WRONG = "name or password is not right"
_HASHER = PasswordHasher()  # argon2id with the library's current costs
_NOBODY = _HASHER.hash(random_secrets.token_urlsafe(16))
"""Checked for names that are not there, so that they take as long as others."""


SESSION_COOKIE = "platewright_session"
"""Name under which a browser keeps the secret of its log-in."""


def form_word(secret: str) -> str:
    """The word that forms and changing requests of one log-in carry; only the holder of its secret can make it."""
    return hmac.new(secret.encode(), b"platewright form", hashlib.sha256).hexdigest()


def is_form_word(secret: str, given: str) -> bool:
    """Whether a word is that of the log-in, in the same time whatever it is."""
    return hmac.compare_digest(form_word(secret).encode(), given.encode())


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def first_administrator(desk: Desk, name: str = "administrator") -> str | None:
    """Make an administrator with a one-time password when there is nobody yet; the password, or None."""
    with desk.store.look() as work:
        if work.people.all():
            return None
    password = random_secrets.token_urlsafe(12)
    hashed = _HASHER.hash(password)
    person = Person(0, name, Role.ADMINISTRATOR, must_change_password=True)
    with desk.store.begin() as work:
        if work.people.all():
            return None
        work.people.add(person, hashed)
        work.trail.add(desk.clock(), "platewright", "first administrator", name, {})
    return password


def has_administrator(desk: Desk) -> bool:
    """Whether somebody runs the place: an active administrator whose password is not the one-time one."""
    with desk.store.look() as work:
        return any(p.role is Role.ADMINISTRATOR and p.active and not p.must_change_password for p in work.people.all())


def sign_in(desk: Desk, name: str, password: str, address: str) -> tuple[Person, str]:
    """The person and the secret of a new session. Raises NotSignedIn, TooOften after too many failures."""
    now = desk.clock()
    pair, where = f"name {name.casefold()[:80]} at {address}", f"address {address}"
    with desk.store.begin() as work:
        limits = ((pair, _MOST_A_NAME_AND_ADDRESS), (where, _MOST_AN_ADDRESS))
        reached = [work.people.nth_attempt(who, most, now - ATTEMPTS_COUNT_FOR) for who, most in limits]
        in_the_way = [at for at in reached if at is not None]
        # Noted before the password is looked at: attempts at the same time all count.
        if not in_the_way:
            work.people.note_attempt(pair, now)
            noted_at = work.people.note_attempt(where, now)
        found = work.people.named(name)
    if in_the_way:
        # One more is taken once the last of those counts no more; those refused meanwhile were not counted.
        wait_s = int((max(in_the_way) + ATTEMPTS_COUNT_FOR - now).total_seconds()) + 1
        raise TooOften(f"too many failed attempts; wait {count(-(-wait_s // 60), 'minute')}", wait_s)
    person = _checked(found, password)
    if found is None or person is None:
        raise NotSignedIn(_WRONG)
    with desk.store.begin() as work:
        now_kept = work.people.named(name)
        if now_kept is None or now_kept[1] != found[1] or not now_kept[0].active:
            # Reset, changed or switched off while it was looked at.
            raise NotSignedIn(_WRONG)
        work.people.forget_attempts(pair)
        # Its own alone: whoever has one good password must not make others' failures from the address forgotten.
        work.people.forget_attempt(noted_at)
        secret = _new_secret(work, desk, person, "session", "", None, SESSION_MOST)
        work.trail.add(now, person.name, "sign in", person.name, {"address": address})
    return person, secret


def _checked(found: tuple[Person, str] | None, password: str) -> Person | None:
    person, hashed = found if found is not None else (None, _NOBODY)
    try:
        _HASHER.verify(hashed, password[:MOST_CHARACTERS])
    except (VerifyMismatchError, InvalidHashError):
        return None
    return person if person is not None and person.active else None


def _new_secret(
    work: Work, desk: Desk, person: Person, kind: str, name: str, scopes: frozenset[str] | None, lasts: timedelta
) -> str:
    secret = random_secrets.token_urlsafe(32)
    now = desk.clock()
    work.people.put_secret(Secret(_digest(secret), kind, person.person_id, name, scopes, now, now, now + lasts))
    return secret


def who(desk: Desk, secret: str, kind: str) -> Actor:
    """Whoever holds a session or token. Raises NotSignedIn when it is none, over, or its owner not active."""
    now = desk.clock()
    digest = _digest(secret)
    with desk.store.look() as work:
        known = work.people.secret(digest)
        person = work.people.get(known.person_id) if known else None
    idle = known is not None and kind == "session" and now - known.used_at > SESSION_IDLE
    if known is None or known.kind != kind or person is None or not person.active or idle or now >= known.ends_at:
        raise NotSignedIn("please sign in" if kind == "session" else "the token is not valid (any more)")
    if now - known.used_at > _TOUCH_EVERY:
        with desk.store.begin() as work:
            work.people.touch_secret(digest, now)
    return Actor(person, known.scopes)


def sign_out(desk: Desk, secret: str) -> None:
    """End a session."""
    with desk.store.begin() as work:
        work.people.drop_secret(_digest(secret))


def change_password(desk: Desk, actor: Actor, old: str, new: str) -> str:
    """Set the own password; all sessions end, tokens stay. The secret of a new session.

    Raises FaultyInput, and Stale when somebody changed the person meanwhile: a reset is never undone by the password
    from before it.
    """
    require(actor, Operation.OWN_ACCOUNT)
    with desk.store.look() as work:
        found = work.people.named(actor.name)
    checked = _checked(found, old)
    if checked is None:
        raise FaultyInput([Fault("", "password", "old", "another password", "the password in use")])
    faults = password_faults(new, old, (actor.name,))
    if faults:
        raise FaultyInput(faults)
    hashed = _HASHER.hash(new)
    with desk.store.begin() as work:
        person = work.people.change(replace(checked, must_change_password=False), checked.version, hashed)
        work.people.drop_secrets(person.person_id, "session")
        noted(work, desk, actor, "change password", person.name, {})
        return _new_secret(work, desk, person, "session", "", None, SESSION_MOST)


@dataclass(frozen=True, slots=True)
class NewPerson:
    """Somebody added, and the one-time password to hand over."""

    person: Person
    password: str


def list_people(desk: Desk, actor: Actor) -> list[Person]:
    """Everybody with a log-in."""
    require(actor, Operation.MANAGE_PEOPLE)
    with desk.store.look() as work:
        return work.people.all()


def add_person(
    desk: Desk,
    actor: Actor,
    name: str,
    role: Role,
    sites: Iterable[str] = (),
    cleared_codes: Iterable[str] = (),
    once: Once | None = None,
) -> NewPerson:
    """Add somebody with a one-time password. Raises FaultyInput, Conflict for a name in use, AlreadyMade."""
    require(actor, Operation.MANAGE_PEOPLE)
    name = name.strip()
    if not 1 <= len(name) <= 60 or not name.isprintable():
        raise FaultyInput([Fault("", "person", "name", f"'{name[:60]}'", "1 to 60 printable characters")])
    faults = site_faults(desk, name, "sites", _names(sites)) + _without_a_site(name, role, _names(sites))
    if faults:
        raise FaultyInput(faults)
    person = Person(0, name, role, _names(sites), _names(cleared_codes), must_change_password=True)
    password = random_secrets.token_urlsafe(12)
    hashed = _HASHER.hash(password)
    with desk.store.begin() as work:
        refuse_again(work, actor, once)
        if work.people.named(name) is not None:
            raise Conflict(f"the name {name} is in use")
        person = work.people.add(person, hashed)
        noted(work, desk, actor, "add person", name, _rights_of(person))
        keep(work, desk, actor, once, _told(person))
    return NewPerson(person, password)


def _without_a_site(name: str, role: Role, sites: frozenset[str]) -> list[Fault]:
    if role is not Role.SITE_OPERATOR or sites:
        return []
    return [Fault("", name, "sites", "no site", "a site of the network at least: a site operator works at their sites")]


def remarks_on(desk: Desk, actor: Actor, person: Person) -> tuple[str, ...]:
    """What may be a slip in what somebody was given: codes that stand on nothing in the book. Nothing is refused.

    No code that does stand there is named: which there are is not for everybody who manages people.
    """
    require(actor, Operation.MANAGE_PEOPLE)
    with desk.store.look() as work:
        used = {x.export_control for x in work.lines.all()}
        used |= {code for model in work.models.all() for code in model.export_codes}
    unused = sorted(person.cleared_codes - used)
    return tuple(f"code {code!r} stands on no line of the book; look whether it is spelled as there" for code in unused)


def _told(person: Person) -> dict[str, object]:
    return {"person_id": person.person_id, "name": person.name, "role": person.role.value}


def _rights_of(person: Person) -> dict[str, Any]:
    """What somebody may, as the trail keeps it."""
    return {
        "role": person.role.value,
        "sites": sorted(person.sites),
        "cleared_codes": sorted(person.cleared_codes),
        "active": person.active,
    }


def _names(given: Iterable[str]) -> frozenset[str]:
    names = frozenset(s.strip() for s in given if s.strip())
    faults = [
        Fault("", "person", "name of a site or code", f"{len(n)} characters", f"at most {_LONGEST_NAME}")
        for n in sorted(names)
        if len(n) > _LONGEST_NAME
    ]
    if len(names) > _MOST_NAMES:
        faults.append(Fault("", "person", "sites or codes", f"{len(names)} of them", f"at most {_MOST_NAMES}"))
    if faults:
        raise FaultyInput(faults)
    return names


def change_person(
    desk: Desk,
    actor: Actor,
    person_id: int,
    seen_version: int,
    role: Role,
    sites: Iterable[str],
    cleared_codes: Iterable[str],
    active: bool,
) -> Person:
    """Change what somebody may. The last active administrator stays one. An inactive person's sessions end.

    Raises NotOneself when administrators give themselves a clearance: that takes a second one.
    """
    require(actor, Operation.MANAGE_PEOPLE)
    with desk.store.look() as work:
        before = work.people.get(person_id)
    # Sites held already may have left the network since; that must not keep anything else from being changed.
    faults = site_faults(
        desk, f"person {person_id}", "sites", _names(sites) - (before.sites if before else frozenset())
    )
    if active:
        faults += _without_a_site(before.name if before else f"person {person_id}", role, _names(sites))
    if faults:
        raise FaultyInput(faults)
    with desk.store.begin() as work:
        work.people.hold_administrators()
        person = work.people.get(person_id)
        if person is None:
            raise NotFound(f"no person {person_id}")
        # Somebody may have changed what the actor may since they came in.
        myself = work.people.get(actor.person.person_id)
        require(replace(actor, person=myself or actor.person), Operation.MANAGE_PEOPLE)
        changed = replace(person, role=role, sites=_names(sites), cleared_codes=_names(cleared_codes), active=active)
        if person_id == actor.person.person_id and changed.cleared_codes - person.cleared_codes:
            raise NotOneself("nobody gives themselves a clearance; another administrator has to do it")
        others = [
            p for p in work.people.all() if p.role is Role.ADMINISTRATOR and p.active and p.person_id != person_id
        ]
        if not others and (role is not Role.ADMINISTRATOR or not active):
            raise Conflict(f"{person.name} is the last administrator and stays one")
        changed = work.people.change(changed, seen_version)
        if not active:
            work.people.drop_secrets(person_id, "session")
            work.people.drop_secrets(person_id, "token")
        old, now = _rights_of(person), _rights_of(changed)
        details = {name: {"before": old[name], "after": now[name]} for name in now if old[name] != now[name]}
        noted(work, desk, actor, "change person", person.name, details)
        return changed


def reset_password(desk: Desk, actor: Actor, person_id: int, once: Once | None = None) -> NewPerson:
    """A new one-time password for somebody; their sessions and tokens end, whoever holds them. Raises AlreadyMade."""
    require(actor, Operation.MANAGE_PEOPLE)
    password = random_secrets.token_urlsafe(12)
    hashed = _HASHER.hash(password)
    with desk.store.begin() as work:
        refuse_again(work, actor, once)
        person = work.people.get(person_id)
        if person is None:
            raise NotFound(f"no person {person_id}")
        person = work.people.change(replace(person, must_change_password=True), person.version, hashed)
        work.people.drop_secrets(person_id, "session")
        work.people.drop_secrets(person_id, "token")
        noted(work, desk, actor, "reset password", person.name, {})
        keep(work, desk, actor, once, _told(person))
    return NewPerson(person, password)


def new_token(
    desk: Desk, actor: Actor, name: str, scopes: Iterable[str], days: int, once: Once | None = None
) -> tuple[Secret, str]:
    """A token for programs, for the actor's own use; its text is shown once. Raises FaultyInput, AlreadyMade."""
    require(actor, Operation.OWN_ACCOUNT)
    if actor.person.must_change_password:
        raise Refused(
            f"{actor.name} still has the one-time password, with which a token could do nothing: "
            "sign in on the pages once, set a password, then make the token"
        )
    wanted = frozenset(scopes)
    faults = []
    if not wanted or not wanted <= set(SCOPES):
        faults.append(Fault("", "token", "scopes", ", ".join(sorted(wanted)) or "none", f"some of {', '.join(SCOPES)}"))
    if not 1 <= days <= TOKEN_MOST.days:
        faults.append(Fault("", "token", "days", str(days), f"1 to {TOKEN_MOST.days}"))
    if not 1 <= len(name.strip()) <= 60:
        faults.append(Fault("", "token", "name", f"{len(name.strip())} characters", "1 to 60"))
    if faults:
        raise FaultyInput(faults)
    with desk.store.begin() as work:
        refuse_again(work, actor, once)
        text = _new_secret(work, desk, actor.person, "token", name.strip(), wanted, timedelta(days=days))
        kept = work.people.secret(_digest(text))
        assert kept is not None
        noted(work, desk, actor, "new token", name.strip(), {"scopes": sorted(wanted), "days": days})
        told = {"sha256": kept.sha256, "name": kept.name, "scopes": sorted(wanted), "ends_at": kept.ends_at.isoformat()}
        keep(work, desk, actor, once, told)
    return kept, text


def own_tokens(desk: Desk, actor: Actor) -> list[Secret]:
    """The actor's tokens."""
    require(actor, Operation.OWN_ACCOUNT)
    with desk.store.look() as work:
        return work.people.secrets(actor.person.person_id, "token")


def revoke_token(desk: Desk, actor: Actor, sha256: str) -> None:
    """End an own token."""
    require(actor, Operation.OWN_ACCOUNT)
    with desk.store.begin() as work:
        known = work.people.secret(sha256)
        if known is None or known.kind != "token" or known.person_id != actor.person.person_id:
            raise NotFound("no such token")
        work.people.drop_secret(sha256)
        noted(work, desk, actor, "revoke token", known.name, {})

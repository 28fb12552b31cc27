"""Who may do what: the only place where a right is decided."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from router.kernel.faults import Refused
from router.service.records import Actor, Role


class Operation(StrEnum):
    """What somebody may want to do."""

    SEE_BOOK = "see the order book"
    CHANGE_BOOK = "change the order book"
    IMPORT = "import orders, models or a network"
    EXPORT = "export the book"
    SEE_NETWORK = "see the network"
    CHANGE_NETWORK = "change the network"
    SEE_PLANS = "see plans"
    ASK_RUN = "start or stop a run"
    ACCEPT_PLAN = "accept or set aside a plan"
    MOVE_BUILD = "move or pin a build"
    SEE_WHAT_IFS = "see what-ifs"
    KEEP_WHAT_IFS = "keep, change or delete what-ifs"
    SEE_FLOOR = "see builds and events of a site"
    RECORD_EVENT = "record an event at a site"
    SEE_TRAIL = "see who did what"
    MANAGE_PEOPLE = "manage people"
    OWN_ACCOUNT = "change the own password and tokens"


_SEE = frozenset(
    {
        Operation.SEE_BOOK,
        Operation.SEE_NETWORK,
        Operation.SEE_PLANS,
        Operation.SEE_WHAT_IFS,
        Operation.SEE_FLOOR,
        Operation.OWN_ACCOUNT,
    }
)
_PLAN = _SEE | {
    Operation.CHANGE_BOOK,
    Operation.IMPORT,
    Operation.EXPORT,
    Operation.CHANGE_NETWORK,
    Operation.ASK_RUN,
    Operation.ACCEPT_PLAN,
    Operation.MOVE_BUILD,
    Operation.KEEP_WHAT_IFS,
    Operation.RECORD_EVENT,
    Operation.SEE_TRAIL,
}
_BY_ROLE = {
    Role.VIEWER: _SEE,
    Role.PLANNER: _PLAN,
    Role.SITE_OPERATOR: _SEE | {Operation.RECORD_EVENT},
    Role.ADMINISTRATOR: _PLAN | {Operation.MANAGE_PEOPLE},
}
_AT_OWN_SITES = frozenset({Operation.SEE_FLOOR, Operation.RECORD_EVENT})
"""Operations a site operator may do at the own sites only."""

SCOPES = {
    "read": _SEE - {Operation.OWN_ACCOUNT},
    "book": frozenset({Operation.CHANGE_BOOK, Operation.IMPORT, Operation.EXPORT}),
    "plan": frozenset(
        {
            Operation.ASK_RUN,
            Operation.ACCEPT_PLAN,
            Operation.MOVE_BUILD,
            Operation.CHANGE_NETWORK,
            Operation.KEEP_WHAT_IFS,
        }
    ),
    "floor": frozenset({Operation.RECORD_EVENT}),
    "admin": frozenset({Operation.MANAGE_PEOPLE, Operation.SEE_TRAIL}),
}
"""What a token of a scope may do, as far as its owner may. Passwords and tokens are never changed through a token."""

WHAT_A_ROLE_MAY = {
    Role.VIEWER: "sees book, network and plans",
    Role.PLANNER: "sees and changes book, network and plans, records events at every site",
    Role.SITE_OPERATOR: "sees book, network and plans, and the floor of the own sites, where they record events",
    Role.ADMINISTRATOR: "what a planner may, and manages people",
}
WHAT_A_SCOPE_MAY = {
    "read": "see",
    "book": "change, import and export the order book",
    "plan": "start runs, accept plans, move and pin builds, change the network",
    "floor": "record events",
    "admin": "manage people, see the trail",
}
"""Roles and scopes in words, for help."""


@dataclass(frozen=True, slots=True)
class Decision:
    """Yes or no, and why not."""

    allowed: bool
    reason: str = ""


def decide(actor: Actor, operation: Operation, site_id: str | None = None) -> Decision:
    """May the actor do this (at this site)?"""
    person = actor.person
    if not person.active:
        return Decision(False, f"{person.name} is no longer active")
    if person.must_change_password and operation is not Operation.OWN_ACCOUNT:
        return Decision(False, f"{person.name} has to change the one-time password first: sign in on the pages once")
    if operation not in _BY_ROLE[person.role]:
        roles = " or ".join(role.value for role, may in _BY_ROLE.items() if operation in may)
        return Decision(False, f"to {operation.value} takes the role {roles}")
    if actor.scopes is not None and not any(operation in SCOPES[s] for s in actor.scopes if s in SCOPES):
        scopes = " or ".join(s for s, may in SCOPES.items() if operation in may) or "a log-in, not a token"
        return Decision(False, f"to {operation.value} takes a token with the scope {scopes}")
    limited = person.role is Role.SITE_OPERATOR and operation in _AT_OWN_SITES
    if limited and site_id is not None and site_id not in person.sites:
        return Decision(
            False, f"{person.name} works at {', '.join(sorted(person.sites)) or 'no site'}, not at {site_id}"
        )
    return Decision(True)


def require(actor: Actor, operation: Operation, site_id: str | None = None) -> None:
    """Raises Refused with the reason when the actor may not."""
    decision = decide(actor, operation, site_id)
    if not decision.allowed:
        raise Refused(decision.reason)


def may_see_code(actor: Actor, export_control: str | None) -> bool:
    """Export-controlled orders are for cleared people only, whatever their role."""
    return export_control is None or export_control in actor.person.cleared_codes


def sites_seen(actor: Actor) -> frozenset[str] | None:
    """Sites whose floor the actor sees; None for all."""
    return actor.person.sites if actor.person.role is Role.SITE_OPERATOR else None

"""Every role against every operation, written out; tokens, sites, one-time passwords."""

from __future__ import annotations

import pytest

from router.kernel.faults import Refused
from router.service.records import Actor, Person, Role
from router.service.rights import SCOPES, Operation, decide, may_see_code, require, sites_seen

# One row an operation: viewer, planner, site operator (at the own site), administrator.
MATRIX = {
    Operation.SEE_BOOK: "yes yes yes yes",
    Operation.CHANGE_BOOK: "no yes no yes",
    Operation.IMPORT: "no yes no yes",
    Operation.EXPORT: "no yes no yes",
    Operation.SEE_NETWORK: "yes yes yes yes",
    Operation.CHANGE_NETWORK: "no yes no yes",
    Operation.SEE_PLANS: "yes yes yes yes",
    Operation.ASK_RUN: "no yes no yes",
    Operation.ACCEPT_PLAN: "no yes no yes",
    Operation.MOVE_BUILD: "no yes no yes",
    Operation.SEE_WHAT_IFS: "yes yes yes yes",
    Operation.KEEP_WHAT_IFS: "no yes no yes",
    Operation.SEE_FLOOR: "yes yes yes yes",
    Operation.RECORD_EVENT: "no yes yes yes",
    Operation.SEE_TRAIL: "no yes no yes",
    Operation.MANAGE_PEOPLE: "no no no yes",
    Operation.OWN_ACCOUNT: "yes yes yes yes",
}
ROLES = (Role.VIEWER, Role.PLANNER, Role.SITE_OPERATOR, Role.ADMINISTRATOR)
SCOPE_OF = {
    "read": {
        Operation.SEE_BOOK,
        Operation.SEE_NETWORK,
        Operation.SEE_PLANS,
        Operation.SEE_WHAT_IFS,
        Operation.SEE_FLOOR,
    },
    "book": {Operation.CHANGE_BOOK, Operation.IMPORT, Operation.EXPORT},
    "plan": {
        Operation.ASK_RUN,
        Operation.ACCEPT_PLAN,
        Operation.MOVE_BUILD,
        Operation.CHANGE_NETWORK,
        Operation.KEEP_WHAT_IFS,
    },
    "floor": {Operation.RECORD_EVENT},
    "admin": {Operation.MANAGE_PEOPLE, Operation.SEE_TRAIL},
}


def somebody(role: Role, **changes: object) -> Person:
    return Person(1, "somebody", role, frozenset({"lyon"}), **changes)  # type: ignore[arg-type]


def test_the_table_names_every_operation() -> None:
    assert set(MATRIX) == set(Operation) and set(SCOPE_OF) == set(SCOPES)


@pytest.mark.parametrize("operation", list(Operation))
@pytest.mark.parametrize("role", ROLES)
def test_role_and_operation(role: Role, operation: Operation) -> None:
    wanted = MATRIX[operation].split()[ROLES.index(role)] == "yes"
    decision = decide(Actor(somebody(role)), operation, "lyon")
    assert decision.allowed is wanted and bool(decision.reason) is not wanted
    if not wanted:
        with pytest.raises(Refused, match=r"takes the role"):
            require(Actor(somebody(role)), operation)


@pytest.mark.parametrize("operation", list(Operation))
@pytest.mark.parametrize("scope", list(SCOPES))
def test_scope_and_operation(scope: str, operation: Operation) -> None:
    actor = Actor(somebody(Role.ADMINISTRATOR), frozenset({scope}))
    assert decide(actor, operation).allowed is (operation in SCOPE_OF[scope])


@pytest.mark.parametrize("operation", list(Operation))
def test_a_token_never_does_more_than_its_owner(operation: Operation) -> None:
    for role in ROLES:
        if decide(Actor(somebody(role), frozenset(SCOPES)), operation).allowed:
            assert decide(Actor(somebody(role)), operation).allowed
    assert not decide(Actor(somebody(Role.ADMINISTRATOR), frozenset()), operation).allowed


@pytest.mark.parametrize("operation", list(Operation))
def test_nobody_does_anything_when_inactive_or_with_a_one_time_password(operation: Operation) -> None:
    for role in ROLES:
        assert not decide(Actor(somebody(role, active=False)), operation).allowed
        fresh = decide(Actor(somebody(role, must_change_password=True)), operation).allowed
        assert fresh is (operation is Operation.OWN_ACCOUNT)


def test_site_operators_are_held_to_their_sites() -> None:
    operator, planner = Actor(somebody(Role.SITE_OPERATOR)), Actor(somebody(Role.PLANNER))
    for operation in (Operation.RECORD_EVENT, Operation.SEE_FLOOR):
        assert decide(operator, operation, "lyon").allowed and not decide(operator, operation, "kassel").allowed
        assert decide(planner, operation, "kassel").allowed
    assert sites_seen(operator) == {"lyon"} and sites_seen(planner) is None


@pytest.mark.parametrize("role", ROLES)
def test_export_codes_are_for_cleared_people_whatever_their_role(role: Role) -> None:
    cleared = Actor(somebody(role, cleared_codes=frozenset({"X1"})))
    assert may_see_code(cleared, None) and may_see_code(cleared, "X1") and not may_see_code(cleared, "X2")
    assert not may_see_code(Actor(somebody(role)), "X1")

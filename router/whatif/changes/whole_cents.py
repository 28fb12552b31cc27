"""Prices times a factor in whole cents; a factor that whole cents cannot hold is told instead of lost."""

from __future__ import annotations

from router.kernel.money import round_cents

_MOST_LOST = 0.2
"""Share of a change that may be lost or added by rounding (common practice, no source)."""


def times(cents: int, factor: float) -> int:
    """The price times the factor, to whole cents, half up."""
    return round_cents(cents * factor)


def distorted(was_cents: float, factor: float, now_cents: float) -> bool:
    """Whether rounding lost or added more than a fifth of the change that the factor asks for."""
    asked = was_cents * factor
    # A thousandth of a cent is arithmetic of floats, not rounding.
    return abs(now_cents - asked) > _MOST_LOST * abs(asked - was_cents) + 1e-3


def found_text(what: str, was_cents: float, factor: float, now_cents: float) -> str:
    """The factor asked for and what would become of it, in words."""
    real = now_cents / was_cents
    return f"{factor:g}, by which {what} ({was_cents:g} cents) would be {now_cents:g} in whole cents: times {real:.3g}"


def expected_text(was_cents: float, most_rounded_cents: float = 0.5) -> str:
    """What would be right: factors whose effect is held whatever rounding takes, at most so many cents."""
    least = most_rounded_cents / _MOST_LOST / was_cents
    near = f"{1 + least:.3g} or more" + (f", {1 - least:.3g} or less" if least < 1 else "")
    return f"a factor whose effect whole cents can hold: 1, {near}, or one that comes to whole cents"

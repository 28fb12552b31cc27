"""What the auditor hands back: findings, the totals it derived itself, and what it looked at."""

from __future__ import annotations

from dataclasses import dataclass

from router.domain.plan import Totals


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing wrong with a plan: a code in plain English, the place, what stands there, what would be right."""

    code: str
    where: str
    found: str
    expected: str

    def sentence(self) -> str:
        """The finding as a person reads it."""
        return f"{self.where}: {self.code.replace('-', ' ')}: found {self.found}; expected {self.expected}"


@dataclass(frozen=True, slots=True)
class AuditReport:
    """All findings on one plan.

    Attributes
    ----------
    findings : everything wrong, in the order of the checks; empty for a plan without fault
    totals : the plan's cost in cents as the auditor derives it. What cannot be derived (a build on an unknown
        machine, say) enters as the plan states it, and has a finding
    checked : (name of the check, how many things it looked at)
    """

    findings: tuple[Finding, ...]
    totals: Totals
    checked: tuple[tuple[str, int], ...]

    @property
    def clean(self) -> bool:
        """Nothing was found."""
        return not self.findings

    def codes(self) -> frozenset[str]:
        """The kinds of fault found."""
        return frozenset(f.code for f in self.findings)


class Notebook:
    """Where the checks write: findings, and how much each check has looked at."""

    def __init__(self) -> None:
        self.findings: list[Finding] = []
        self._looked_at: dict[str, int] = {}

    def look(self, check: str, times: int = 1) -> None:
        """Count `times` things looked at by `check`; zero makes the check appear in the list."""
        self._looked_at[check] = self._looked_at.get(check, 0) + times

    def add(self, code: str, where: str, found: object, expected: object) -> None:
        """Write down one finding."""
        self.findings.append(Finding(code, where, str(found), str(expected)))

    def checked(self) -> tuple[tuple[str, int], ...]:
        """(check, count) in the order in which the checks first looked."""
        return tuple(self._looked_at.items())

"""The auditor: re-derives a plan's feasibility and cost from the rules alone and lists everything wrong."""

from __future__ import annotations

from router.audit.auditor import audit, audit_change
from router.audit.finding import AuditReport, Finding

__all__ = ["AuditReport", "Finding", "audit", "audit_change"]

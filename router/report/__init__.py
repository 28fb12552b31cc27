"""One planning run as one HTML page that needs nothing else."""

from router.report.page import write_report

__all__ = ["write_report"]

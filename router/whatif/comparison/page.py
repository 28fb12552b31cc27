"""A comparison as one page that needs nothing else."""

from __future__ import annotations

from router.domain.network import Network
from router.report.page import page_style
from router.report.templates_of import templates_of
from router.report.theme import KEYED
from router.report.wording import number
from router.whatif.comparison.compare import Comparison
from router.whatif.comparison.tables import findings, rows
from router.whatif.rolling.life import Habits
from router.whatif.rolling.replicate import Stretch


def comparison_page(network: Network, comparison: Comparison) -> str:
    """HTML text; everything from files is escaped."""
    settings, habits = comparison.settings, Habits()
    stretch = Stretch(months=settings.months, near_km=settings.near_km)
    names = ", ".join(x.what_if.name for x in comparison.lived[1:])
    return templates_of("router.whatif").get_template("comparison.html.j2").render(
        title=f"What if: {names}",
        lead=(
            f"{network.name}: {settings.months:g} months of orders drawn from the book's own history, lived"
            f" through {comparison.replications} times by every scenario, each time with the same orders for all."
        ),
        invented=network.invented or any(x.what_if.invented for x in comparison.lived),
        replications=comparison.replications,
        scenarios=[
            {
                "name": x.what_if.name,
                "changes": x.what_if.explained(network),
                "findings": findings(comparison, x, network.currency),
                "rows": rows(comparison, x, network.currency),
            }
            for x in comparison.lived[1:]
        ],
        notes=[
            f"Orders are whole orders of the book with their lines, quantities and lead times, received on working days"
            f" at the book's own rate; {stretch.warm_up_days} days of warm-up are not counted, and"
            f" {stretch.run_out_days} further days of orders follow so that the counted ones end among others.",
            "Every day the planner sees what has been received, no more; builds that have begun are not touched again.",
            f"A build on a plate covered less than {habits.hold_cover:.0%} waits up to {habits.hold_at_most_days} days"
            f" while all on it have {habits.hold_slack_days:g} days to spare (common practice, no source).",
            f"A line that finds no place on its day is asked about again on {habits.ask_again_days} further days, then"
            " it is lost (common practice, no source).",
            "Credentials that hold at the start are taken to be renewed; machines do not fail; planned stops are those"
            " of the network file.",
            f"Promised is the due date, or the planned arrival where that is later. Near means within"
            f" {number(settings.near_km)} km by road.",
            f"Seed {settings.seed}"
            + ("." if comparison.cpu_s is None else f"; {number(comparison.cpu_s)} processor seconds of simulation."),
        ],
        style=page_style(len(KEYED)),
    )  # fmt: skip

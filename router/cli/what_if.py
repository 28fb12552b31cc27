"""Commands of what-ifs: compare, explain, difference."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from router.cli.terminal import cache_dir, err, out, say_plainly, stoppable
from router.kernel.faults import PlatewrightError
from router.service.hold_folder import tune_hold_folder
from router.service.hold_trials import AT_MOST_DAYS, COVERS, SLACK_DAYS
from router.service.what_if_folder import Compared, compare_what_ifs
from router.whatif.changes import difference, read_what_if
from router.whatif.comparison.compare import Settings
from router.whatif.comparison.hold_rules import HoldRule, HoldSettings
from router.whatif.comparison.tables import findings, rows
from router.whatif.sweep.crew import CREWS
from router.whatif.sweep.ledger import Entry
from router.whatif.sweep.run import Quiet

what_if = typer.Typer(no_args_is_help=True, help="What would change if: files of changes beside a scenario folder.")

ExecutorOption = Annotated[str, typer.Option("--executor", help=f"Who simulates: {CREWS}.")]
WhatIfFile = Annotated[Path, typer.Argument(help="What-if file (YAML).")]


@what_if.command()
def explain(file: WhatIfFile) -> None:
    """Say in words what a what-if file changes."""
    read = read_what_if(file)
    sentences = read.explained()
    say_plainly(out, f"{read.name}:" if sentences else f"{read.name}: changes nothing.")
    for sentence in sentences:
        say_plainly(out, f"  {sentence}")


@what_if.command("diff")
def diff(one: WhatIfFile, other: WhatIfFile) -> None:
    """Say what only one of two what-if files changes."""
    first, second = read_what_if(one), read_what_if(other)
    only_first, only_second = difference(first, second)
    for name, sentences in ((first.name, only_first), (second.name, only_second)):
        say_plainly(out, f"Only in {name}:" if sentences else f"Only in {name}: nothing.")
        for sentence in sentences:
            say_plainly(out, f"  {sentence}")


@what_if.command()
def compare(
    folder: Annotated[Path, typer.Argument(help="Scenario folder: the base.")],
    files: Annotated[list[Path], typer.Argument(help="What-if files to set beside the base.")],
    out_folder: Annotated[Path, typer.Option("--out", "-o", help="Where results are written.")] = Path(
        "results/whatif"
    ),
    months: Annotated[float, typer.Option(help="Months of orders that count, 0.25 to 18.")] = 12.0,
    replications: Annotated[int, typer.Option(help="Times each scenario lives through them, 2 or more.")] = 20,
    seed: Annotated[int, typer.Option(help="Seed of the streams.")] = 1,
    near_km: Annotated[float, typer.Option(help="Road distance that counts as near.")] = 500.0,
    executor: ExecutorOption = "processes:2",
) -> None:
    """Live through months of orders with and without the changes, and say what differs beyond noise."""
    try:
        settings = Settings(months, replications, seed, near_km, executor)
    except ValueError as wrong:
        raise PlatewrightError(f"options: {wrong}") from wrong
    said = "stopping; what is done is kept, and the same command goes on from there (interrupt again to give up)"
    with stoppable(said) as cancel:
        compared = compare_what_ifs(folder, files, out_folder, settings, cache_dir(), _Told(), cancel)
    _say(compared)


@what_if.command()
def hold(
    folder: Annotated[Path, typer.Argument(help="Scenario folder.")],
    out_folder: Annotated[Path, typer.Option("--out", "-o", help="Where results are written.")] = Path("results/hold"),
    cover: Annotated[
        list[float] | None,
        typer.Option(help="A threshold: held while covered less than this share; may be given several times."),
    ] = None,
    slack_days: Annotated[float, typer.Option(help="Held while every line has so many days to spare.")] = SLACK_DAYS,
    at_most_days: Annotated[int, typer.Option(help="Held for so many days at most.")] = AT_MOST_DAYS,
    months: Annotated[float, typer.Option(help="Months of orders that count, 0.25 to 18.")] = 3.0,
    replications: Annotated[int, typer.Option(help="Times each rule lives through them, 2 or more.")] = 5,
    seed: Annotated[int, typer.Option(help="Seed of the streams.")] = 1,
    executor: ExecutorOption = "processes:2",
) -> None:
    """Hold a plate open for orders still to come, or start it? Try thresholds and say which is best beyond noise."""
    try:
        rules = tuple(HoldRule(share, slack_days, at_most_days) for share in cover or COVERS)
        settings = HoldSettings(rules, months, replications, seed, executor)
    except ValueError as wrong:
        raise PlatewrightError(f"options: {wrong}") from wrong
    said = "stopping; what is done is kept, and the same command goes on from there (interrupt again to give up)"
    with stoppable(said) as cancel:
        tuning, found = tune_hold_folder(folder, out_folder, settings, cache_dir(), _Told(), cancel)
    table = Table(title="Rules of holding, on the same orders", title_justify="left")
    table.add_column("Rule")
    for heading in ("Landed cost", "Cover", "Late", "Promises kept"):
        table.add_column(heading, justify="right")
    for f in tuning.found:
        shares = (f"{share:.1%}" for share in (f.cover, f.late_share, f.promise_kept_share))
        table.add_row(f.name, f"{f.cost.mean / 100:,.0f}", *shares)
    out.print(table)
    for sentence in found:
        say_plainly(out, sentence)


class _Told(Quiet):
    """Tells on standard error how far a comparison is."""

    def began(self, total: int, already: int) -> None:
        if already:
            err.print(f"{already} of {total} lives are kept from before")

    def kept(self, entry: Entry, done: int, total: int) -> None:
        if done == total or done * 10 // total > (done - 1) * 10 // total:
            err.print(f"{done} of {total} lives done")


def _say(compared: Compared) -> None:
    comparison, currency = compared.comparison, compared.scenario.network.currency
    for lived in comparison.lived[1:]:
        table = Table(title=lived.what_if.name, title_justify="left")
        for heading, side in (("Figure", "left"), ("Base", "right"), ("Here", "right"), ("Difference", "right")):
            table.add_column(heading, justify="left" if side == "left" else "right")
        table.add_column("Which is")
        for row in rows(comparison, lived, currency):
            table.add_row(row.what, row.base, row.here, row.difference, row.word)
        out.print(table)
        for sentence in findings(comparison, lived, currency):
            say_plainly(out, sentence)
    say_plainly(
        out, f"{comparison.replications} replications, {comparison.seconds:.0f} s. Page: {compared.page.resolve()}"
    )

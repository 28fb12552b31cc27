"""Commands of platewright. Exit codes: 0 done, 1 the auditor found faults, 2 faulty input, 130 interrupted."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from router.bootstrap import MOST_PROCESSES, Settings
from router.bootstrap.keeping import read_backup, write_backup
from router.cli.interrupts import INTERRUPTED
from router.cli.people import people_app, token_app
from router.cli.progress import ProgressListener
from router.cli.serving import run_server, run_worker
from router.cli.tables import faults_list, findings_list, kpis_table, option_tables
from router.cli.terminal import cache_dir, err, out, say_plainly, stoppable
from router.cli.what_if import what_if
from router.kernel.faults import CalledOff, FaultyInput, NotFound, PlatewrightError, system_words
from router.planning import RunParams
from router.service.audit_plan import audit_plan_file
from router.service.check_folder import check_folder
from router.service.demo import demo_folder
from router.service.explain import explain_line
from router.service.plan_folder import Planned, plan_folder
from router.service.plate_files import write_plate_files
from router.service.site_check import CheckAsked
from router.service.site_choice import site_choice
from router.service.site_choice_answer import sentences
from router.whatif.sweep.crew import CREWS

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Decides which site builds an order, which jobs share a plate, on which machine and when, and how it ships.",
)
app.add_typer(people_app, name="people")
app.add_typer(token_app, name="token")
app.add_typer(what_if, name="whatif")

FolderArgument = Annotated[Path, typer.Argument(help="Scenario folder: network.yaml, orders.csv or .xlsx, models/.")]
OutOption = Annotated[Path, typer.Option("--out", "-o", help="Where the result folder is written.")]


def _finite(seconds: float) -> float:
    if not math.isfinite(seconds):
        raise typer.BadParameter(f"found {seconds:g}; expected a number of seconds, 1 or more.")
    return seconds


SecondsOption = Annotated[
    float, typer.Option("--seconds", "-s", min=1.0, callback=_finite, help="Seconds until the search ends.")
]
SeedOption = Annotated[
    int,
    typer.Option("--seed", min=0, max=2**31 - 1, help="Seed of the search; equal seeds and --work give equal plans."),
]
WorkOption = Annotated[
    int | None, typer.Option("--work", min=0, help="Stop after so many search rounds instead of after --seconds.")
]
WorkersOption = Annotated[
    int | None,
    typer.Option(
        "--workers",
        min=1,
        help="Processes that search. Without it as many as pay: one a core and twelve machines; with --work one.",
        show_default=False,
    ),
]

ProcessesOption = Annotated[
    int | None,
    typer.Option(
        min=1,
        max=MOST_PROCESSES,
        help="Processes that live through months of orders, else PLATEWRIGHT_PROCESSES, else all cores but one.",
        show_default=False,
    ),
]

_MOST_REMARKS = 40
"""So many remarks are printed, the rest counted."""


@app.command()
def demo(
    out_folder: OutOption = Path("results/demo"),
    seconds: SecondsOption = 38.0,
    seed: SeedOption = 1,
    work: WorkOption = None,
) -> None:
    """Plan the demonstration scenario (invented data) and say where the result lies."""
    _run(demo_folder(), out_folder, seconds, seed, work)


@app.command()
def plan(
    folder: FolderArgument,
    out_folder: OutOption = Path("results/plan"),
    seconds: SecondsOption = 60.0,
    seed: SeedOption = 1,
    work: WorkOption = None,
    workers: WorkersOption = None,
) -> None:
    """Plan a scenario folder."""
    _run(folder, out_folder, seconds, seed, work, workers)


@app.command()
def check(folder: FolderArgument) -> None:
    """Look for faults in a scenario folder without planning it."""
    faults, remarks = check_folder(folder, cache_dir())
    _remark(remarks)
    if faults:
        say_plainly(err, faults_list(faults))
        raise typer.Exit(2)
    say_plainly(out, f"{folder}: no fault found")


@app.command()
def explain(
    line: Annotated[str, typer.Argument(help="Order line as the order book names it.")],
    result: Annotated[Path, typer.Option("--result", "-r", help="Result folder of a run.")] = Path("results/demo"),
) -> None:
    """Show every site that could build an order line, what it would cost there, and why one was chosen."""
    try:
        explained, own = explain_line(result, line)
    except NotFound as error:
        say_plainly(err, str(error))
        raise typer.Exit(2) from error
    for table in option_tables(explained, own):
        out.print(table)


@app.command()
def audit(
    folder: FolderArgument,
    plan_file: Annotated[Path, typer.Argument(help="plan.json of a result folder.")],
) -> None:
    """Re-derive a plan's feasibility and cost from the scenario alone and list everything that is wrong."""
    report = audit_plan_file(folder, plan_file, cache_dir())
    say_plainly(out, findings_list(report))
    if not report.clean:
        raise typer.Exit(1)


@app.command()
def serve(
    host: Annotated[
        str | None,
        typer.Option(
            help="Address, else PLATEWRIGHT_HOST, else 127.0.0.1; beyond this machine only with an administrator."
        ),
    ] = None,
    port: Annotated[
        int | None, typer.Option(min=1, max=65535, help="Port to listen on, else PLATEWRIGHT_PORT, else 8321.")
    ] = None,
    database: Annotated[str | None, typer.Option(help="sqlite:///FILE or postgresql://USER@HOST/NAME.")] = None,
    no_worker: Annotated[bool, typer.Option("--no-worker", help="Leave runs to `platewright worker`.")] = False,
    processes: ProcessesOption = None,
) -> None:
    """Serve pages and API, with a worker that plans, until interrupted."""
    settings = _settings(host, port, database, processes)
    run_server(replace(settings, worker=settings.worker and not no_worker), lambda text: say_plainly(out, text))


@app.command()
def worker(
    database: Annotated[str | None, typer.Option(help="The database the server uses.")] = None,
    processes: ProcessesOption = None,
) -> None:
    """Work off runs of a server as a process of its own, until interrupted."""
    run_worker(_settings(None, None, database, processes))


@app.command()
def backup(
    file: Annotated[Path, typer.Argument(help="File to write; must not be there yet.")],
    database: Annotated[str | None, typer.Option(help="The database the server uses.")] = None,
) -> None:
    """Write everything the service keeps into one file, while it runs, and read the file back to check it."""
    counts = write_backup(_settings(None, None, database), file)
    say_plainly(out, f"{file}: {sum(counts.values())} rows of {len(counts)} tables, read back and equal")


@app.command()
def restore(
    file: Annotated[Path, typer.Argument(help="File of `platewright backup`.")],
    database: Annotated[str | None, typer.Option(help="An empty database.")] = None,
) -> None:
    """Fill an empty database from a backup; a damaged file or a database with rows is refused.

    A backup of an earlier edition is carried over to this one.
    """
    counts = read_backup(_settings(None, None, database), file)
    say_plainly(out, f"{sum(counts.values())} rows of {len(counts)} tables restored")


def _settings(host: str | None, port: int | None, database: str | None, processes: int | None = None) -> Settings:
    settings = Settings.from_environment()
    return replace(
        settings,
        host=host or settings.host,
        port=port or settings.port,
        database=database or settings.database,
        processes=processes or settings.processes,
    )


@app.command()
def plates(
    result: Annotated[Path, typer.Argument(help="Result folder of a run.")],
    folder: FolderArgument,
    out_folder: OutOption = Path("results/plates"),
) -> None:
    """Write each finished plate as true-size SVG, DXF outlines and a 3MF with every part in place."""
    written = write_plate_files(result, folder, out_folder, cache_dir())
    for files in written:
        out.print(f"{files.build_id}: {files.pieces} pieces, {files.threemf.name}", markup=False, highlight=False)
    out.print(f"{len(written)} plates in {out_folder.resolve()}", soft_wrap=True, highlight=False)


@app.command()
def site(
    folder: FolderArgument,
    candidates: Annotated[Path, typer.Option("--candidates", help="File of places and packages (CANDIDATES.md).")],
    most: Annotated[int, typer.Option("--k", min=1, max=20, help="At most so many new sites.")] = 1,
    out_folder: OutOption = Path("results/site"),
    seconds: Annotated[
        float, typer.Option("--seconds", "-s", min=1.0, callback=_finite, help="At most, for each programme.")
    ] = 60.0,
    seed: SeedOption = 0,
    check: Annotated[bool, typer.Option("--check", help="Live through months with and without the choice.")] = False,
    months: Annotated[float, typer.Option("--check-months", help="Months that count, 0.25 to 18.")] = 3.0,
    replications: Annotated[int, typer.Option("--check-replications", help="Times they are lived, 2 or more.")] = 5,
    check_seed: Annotated[int, typer.Option("--check-seed", help="Seed of the streams of orders.")] = 1,
    runners_up: Annotated[int, typer.Option("--runners-up", help="Next best single places checked too.")] = 0,
    executor: Annotated[str, typer.Option("--check-executor", help=f"Who simulates: {CREWS}.")] = "processes:2",
    write_what_if: Annotated[
        Path | None, typer.Option("--write-what-if", help="Folder for the choice as what-if files.")
    ] = None,
) -> None:
    """Choose where new sites should stand, with which machines, for the demand of a scenario folder."""
    try:
        asked = CheckAsked(months, replications, check_seed, runners_up, executor)
    except ValueError as wrong:
        raise PlatewrightError(f"options: {wrong}") from wrong
    with ProgressListener(err) as listener:
        found = site_choice(
            folder,
            candidates,
            out_folder,
            most,
            listener,
            seconds,
            seed,
            cache_dir(),
            asked if check else None,
            write_what_if,
            lambda: say_plainly(err, f"The choice is written to {out_folder.resolve()}; the check follows."),
        )
    for text in sentences(found):
        say_plainly(out, text)
    say_plainly(out, f"Tables and page: {out_folder.resolve()}")


def _run(
    folder: Path, out_folder: Path, seconds: float, seed: int, work: int | None, workers: int | None = None
) -> None:
    params = RunParams(
        seed=seed, seconds=None if work is not None else seconds, work=work, workers=1 if work is not None else workers
    )
    said = "stopping; the best plan so far is kept (interrupt again to give up)"
    with stoppable(said) as cancel, ProgressListener(err, seconds=seconds) as listener:
        planned = plan_folder(folder, out_folder, params, listener, cache_dir(), cancel)
    _say(planned)
    if not planned.audited.clean:
        say_plainly(err, findings_list(planned.audited))
        raise typer.Exit(1)


def _say(planned: Planned) -> None:
    out.print(kpis_table(planned.scenario, planned.result))
    checks = sum(count for _, count in planned.audited.checked)
    verdict = "found nothing wrong" if planned.audited.clean else f"found {len(planned.audited.findings)} faults"
    say_plainly(out, f"The independent auditor made {checks:,} checks and {verdict}.")
    _remark(planned.remarks)
    say_plainly(out, f"Report: {planned.report.resolve()}")


def _remark(remarks: tuple[str, ...]) -> None:
    for text in remarks[:_MOST_REMARKS]:
        say_plainly(err, f"remark: {text}")
    if len(remarks) > _MOST_REMARKS:
        say_plainly(err, f"and {len(remarks) - _MOST_REMARKS} remarks more")


def run() -> None:
    """Do what was typed: faulty input ends with code 2 and the whole list of faults."""
    try:
        app()
    except CalledOff as given_up:
        say_plainly(err, f"platewright: {given_up}")
        sys.exit(INTERRUPTED)
    except (PlatewrightError, OSError) as error:
        if not isinstance(error, FaultyInput):
            say_plainly(err, f"platewright: {system_words(error)}")
            sys.exit(2)
        say_plainly(err, faults_list(error.faults))
        sys.exit(2)

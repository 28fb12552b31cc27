"""The book as a scenario folder: what was imported comes out again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from router.formats.network_file import NETWORK_FILE
from router.formats.scenario_folder import MODEL_FOLDER
from router.kernel.faults import NotFound, Refused
from router.service.archive import write_archive
from router.service.cells import ORDERS_CSV, csv_of
from router.service.desk import Desk
from router.service.models import content_of
from router.service.network import NO_NETWORK
from router.service.records import Actor, LineRecord
from router.service.rights import Operation, decide, may_see_code, require


def scenario_files(desk: Desk, actor: Actor) -> dict[str, bytes]:
    """Files of the folder: the network as saved, open and held lines as a canonical orders.csv, their models.

    Decisions of planners (held, pinned) are not part of a scenario folder. Raises Refused when the book has export-
    controlled lines the actor is not cleared for: a folder without them would be another book.
    """
    require(actor, Operation.EXPORT)
    with desk.store.look() as work:
        network = work.networks.latest()
        lines = [x for x in work.lines.all() if not x.standing.closed]
        shas = {m.name: m.sha256 for m in work.models.all()}
        files_of = _file_names(lines, shas)
        contents = {n: work.models.content(sha) for n, sha in sorted(set(files_of.values()))}
    if network is None:
        raise NotFound(NO_NETWORK)
    if not _clear(actor, lines):
        raise Refused(
            "the book holds export-controlled lines you are not cleared for; ask a cleared planner to export it"
        )
    rows = [{**x.cells, "model": files_of[x.line_id][0]} for x in lines]
    files = {NETWORK_FILE: network.raw, ORDERS_CSV: csv_of(rows)}
    files |= {f"{MODEL_FOLDER}/{n}": c for n, c in contents.items() if c is not None}
    return files


def may_export(desk: Desk, actor: Actor) -> bool:
    """Whether ``scenario_files`` would answer."""
    if not decide(actor, Operation.EXPORT).allowed:
        return False
    with desk.store.look() as work:
        if work.networks.latest() is None:
            return False
        return _clear(actor, [x for x in work.lines.all() if not x.standing.closed])


def _clear(actor: Actor, lines: Iterable[LineRecord]) -> bool:
    return all(may_see_code(actor, x.export_control) for x in lines)


def _file_names(lines: Iterable[LineRecord], shas: Mapping[str, str]) -> dict[str, tuple[str, str]]:
    """File and content of each line's model. Where a name stands for several contents, each gets a file of its own."""
    found = {}
    for line in lines:
        sha = content_of(shas, line.line_id, line.model)
        found[line.line_id] = (line.model if sha == shas[line.model] else f"{sha[:12]}-{line.model}", sha)
    return found


def scenario_zip(desk: Desk, actor: Actor) -> bytes:
    """The same as one zip file."""
    return write_archive(scenario_files(desk, actor))

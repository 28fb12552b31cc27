"""The book as a scenario folder: what was imported comes out again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import partial
from tempfile import SpooledTemporaryFile
from typing import IO

from router.formats.network_file import NETWORK_FILE
from router.formats.scenario_folder import MODEL_FOLDER
from router.kernel.faults import NotFound, Refused
from router.service.archive import write_archive_to
from router.service.cells import ORDERS_CSV, csv_of
from router.service.contents import Contents, of_bytes
from router.service.desk import Desk
from router.service.models import content_of
from router.service.network import NO_NETWORK
from router.service.ports import Work
from router.service.records import Actor, LineRecord
from router.service.rights import Operation, decide, require

_IN_MEMORY_BYTES = 8_000_000


def scenario_files(desk: Desk, actor: Actor) -> Contents:
    """Files of the folder: the network as saved, open and held lines as a canonical orders.csv, their models.

    Decisions of planners (held, pinned) are not part of a scenario folder. Raises Refused when the book has export-
    controlled lines the actor is not cleared for: a folder without them would be another book.
    """
    require(actor, Operation.EXPORT)
    with desk.store.look() as work:
        if not _clear(work, actor):
            raise Refused(
                "the book holds export-controlled lines you are not cleared for; ask a cleared planner to export it"
            )
        lines = [x for x in work.lines.all() if not x.standing.closed]
        network = work.networks.latest()
        shas = {m.name: m.sha256 for m in work.models.all()}
    if network is None:
        raise NotFound(NO_NETWORK)
    files_of = _file_names(lines, shas)
    rows = [{**x.cells, "model": files_of[x.line_id][0]} for x in lines]
    models = {f"{MODEL_FOLDER}/{n}": partial(_content, desk, sha) for n, sha in sorted(set(files_of.values()))}
    return of_bytes({NETWORK_FILE: network.raw, ORDERS_CSV: csv_of(rows)}) | Contents(models)


def _content(desk: Desk, sha256: str) -> bytes:
    with desk.store.look() as work:
        content = work.models.content(sha256)
    assert content is not None  # contents are never taken away
    return content


def may_export(desk: Desk, actor: Actor) -> bool:
    """Whether ``scenario_files`` would answer."""
    if not decide(actor, Operation.EXPORT).allowed:
        return False
    with desk.store.look() as work:
        return work.networks.head() is not None and _clear(work, actor)


def _clear(work: Work, actor: Actor) -> bool:
    return not work.lines.any_beyond(actor.person.cleared_codes)


def _file_names(lines: Iterable[LineRecord], shas: Mapping[str, str]) -> dict[str, tuple[str, str]]:
    """File and content of each line's model. Where a name stands for several contents, each gets a file of its own."""
    found = {}
    for line in lines:
        sha = content_of(shas, line.line_id, line.model)
        found[line.line_id] = (line.model if sha == shas[line.model] else f"{sha[:12]}-{line.model}", sha)
    return found


def scenario_zip(desk: Desk, actor: Actor) -> IO[bytes]:
    """The same as one zip file, at its beginning; a large one lies in a temporary file until it is closed."""
    files = scenario_files(desk, actor)
    out: IO[bytes] = SpooledTemporaryFile(_IN_MEMORY_BYTES)  # noqa: SIM115 - whoever asked for it closes it
    write_archive_to(out, files)
    out.seek(0)
    return out

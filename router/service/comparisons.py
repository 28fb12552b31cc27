"""Comparisons of kept what-ifs as jobs: asked for, and what their lives came to.

Only lines without an export code are lived through, whoever asks: results are seen by everybody who sees what-ifs.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any

from router.domain.network import Network, Scenario
from router.kernel.faults import Fault, FaultyInput, NotFound
from router.service.desk import Desk
from router.service.jobs import ask_job, asked_before, job_as_told
from router.service.kept_what_ifs import holds_name, what_ifs_with_texts
from router.service.lives import life_faults, study_of
from router.service.ports import Work
from router.service.receipts import Once
from router.service.records import Actor, JobKind, JobRecord, LifeRecord
from router.service.rights import Operation, require
from router.service.visible import hidden_names, values_told
from router.whatif.changes import BASE, WhatIf, read_texts
from router.whatif.comparison.compare import Comparison, Settings, has_demand, no_demand, set_side_by_side
from router.whatif.comparison.tables import as_json, findings, replications_csv, rows
from router.whatif.rolling.replicate import NEAR_KM

MOST_WHAT_IFS = 8


def ask_comparison(
    desk: Desk,
    actor: Actor,
    what_if_ids: Sequence[int],
    months: float = 3.0,
    replications: int = 10,
    seed: int = 1,
    once: Once | None = None,
    near_km: float = NEAR_KM,
    beside_id: int | None = None,
) -> JobRecord:
    """Ask for it; the texts of now are what is compared. Raises FaultyInput, NotFound.

    ``beside_id``: a what-if that the others are set beside, in place of the network as it is.
    """
    require(actor, Operation.ASK_RUN)
    asked = asked_before(desk, actor, once)
    if asked is not None:
        return asked
    faults = []
    if not 1 <= len(set(what_if_ids)) <= MOST_WHAT_IFS:
        faults.append(Fault("", "comparison", "what_if_ids", str(len(what_if_ids)), f"1 to {MOST_WHAT_IFS} what-ifs"))
    worlds = 1 + len(set(what_if_ids))
    faults += life_faults("comparison", worlds, "what-ifs", months, replications, seed, near_km)
    if beside_id is not None and beside_id in what_if_ids:
        faults.append(Fault("", "comparison", "beside_id", str(beside_id), "none of those set beside it"))
    if faults:
        raise FaultyInput(faults)
    beside = [] if beside_id is None else [beside_id]
    every, texts = what_ifs_with_texts(desk, actor, [*beside, *dict.fromkeys(what_if_ids)])
    base, chosen = (every[0] if beside else None), every[len(beside) :]
    faults += [fault for x in every for fault in x.view.faults]
    names = [x.view.name for x in every]
    for name in sorted({n for n in names if names.count(n) > 1 or n == BASE.name}):
        faults.append(Fault("", "comparison", "name", name, "names of their own, other than 'base'"))
    if faults:
        raise FaultyInput(faults)
    params = {
        "files": [x.record.file for x in chosen],
        "names": [x.view.name for x in chosen],
        "beside": None if base is None else base.record.file,
        "beside_name": None if base is None else base.view.name,
        "months": months,
        "replications": replications,
        "seed": seed,
        "near_km": near_km,
        "texts": {file: raw.decode() for file, raw in texts.items()},
    }
    return ask_job(desk, actor, JobKind.COMPARISON, params, once)


def what_ifs_of(params: Mapping[str, Any]) -> list[WhatIf]:
    """What the others are set beside, the base as a rule, and the what-ifs of a comparison."""
    texts = {str(name): str(text).encode() for name, text in params["texts"].items()}
    beside = params.get("beside")
    base = BASE if beside is None else read_texts(str(beside), texts)
    return [base, *(read_texts(str(file), texts) for file in params["files"])]


def near_km_of(params: Mapping[str, Any]) -> float:
    """Road distance that counts as near."""
    return float(params.get("near_km", NEAR_KM))


def require_demand(params: Mapping[str, Any], scenario: Scenario) -> None:
    """Raise FaultyInput when a what-if leaves no order of the scenario."""
    named = zip([params.get("beside") or "", *params["files"]], what_ifs_of(params), strict=True)
    faults = [no_demand(str(file)) for file, what_if in named if not has_demand(what_if, scenario)]
    if faults:
        raise FaultyInput(faults)


def is_invented(params: Mapping[str, Any], scenario: Scenario) -> bool:
    """Whether the book or one of the what-ifs is made up for demonstration."""
    return scenario.network.invented or any(x.invented for x in what_ifs_of(params))


def result_of(work: Work, job: JobRecord, base: Network) -> Mapping[str, Any]:
    """What a comparison came to, from the lives that are kept; ``base``: the network it was asked on."""
    lived = work.jobs.lives(job.job_id)
    compared = _comparison(job, lived)
    told = {"lives": len(lived), "comparison": None}
    if compared is None:
        return told
    currency = str(job.params["currency"])
    tables = [
        {
            "name": x.what_if.name,
            "findings": list(findings(compared, x, currency)),
            "rows": [asdict(row) for row in rows(compared, x, currency)],
        }
        for x in compared.lived[1:]
    ]
    return told | {"comparison": json.loads(as_json(compared, currency, base)), "tables": tables}


def comparison_csv(desk: Desk, actor: Actor, job_id: str) -> str:
    """Figures of every replication. Raises NotFound for a job that is no comparison, or has fewer than two."""
    require(actor, Operation.SEE_WHAT_IFS)
    with desk.store.look() as work:
        lived = work.jobs.lives(job_id)
    job, _ = job_as_told(desk, actor, job_id)
    names = hidden_names(desk, actor)
    # Where a compared what-if, or one it goes on from, holds a name the reader must not learn, the table is not there
    # for them; nor are these what-ifs.
    texts = dict(job.params.get("texts", {}))
    may_read = values_told(job.params, names) == job.params and not any(
        holds_name(str(file), str(text).encode(), names) for file, text in texts.items()
    )
    compared = _comparison(job, lived) if may_read else None
    if job.kind is not JobKind.COMPARISON or compared is None:
        raise NotFound(f"no comparison {job_id}, or fewer than two replications of it")
    return replications_csv(compared)


def _comparison(job: JobRecord, lived: Sequence[LifeRecord]) -> Comparison | None:
    """None while fewer than two replications of every scenario are there."""
    if job.kind is not JobKind.COMPARISON:
        return None
    what_ifs = what_ifs_of(job.params)
    named = {x.name: x for x in what_ifs}
    wanted, seed = int(job.params["replications"]), int(job.params["seed"])
    found = study_of(lived, list(named), wanted, seed)
    if found is None:
        return None
    settings = Settings(float(job.params["months"]), wanted, seed, near_km_of(job.params))
    # What a life took is not kept with it.
    return replace(set_side_by_side(named, *found, settings), cpu_s=None)

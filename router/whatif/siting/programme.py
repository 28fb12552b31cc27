"""Linear and mixed-integer programmes of a location problem, solved by HiGHS: the last step of a proof."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import highspy
import highspy._core as highspy_core
import numpy as np
from numpy.typing import NDArray
from ortools.graph.python import min_cost_flow
from scipy.sparse import csr_array

from router.whatif.siting.problem import Floats, Location, LocationProblem

Ints = NDArray[np.int64]
_INFINITE = highspy.kHighsInf
_FLOW_FROM = 500
"""Pairs from which a flow algorithm is quicker than a linear programme."""


@dataclass(frozen=True, eq=False)
class Solved:
    """``x``: a solution within the tolerances of the solver, or None. ``value``, ``bound``: by its own account.

    ``ended``: the solver's search was finished; False when a limit stopped it.
    """

    x: Floats | None
    value: float | None
    bound: float
    ended: bool


def solve_rows(
    cost: Floats,
    upper: Floats,
    rows: tuple[Ints, Ints, Floats],
    row_lower: Floats,
    row_upper: Floats,
    whole: NDArray[np.bool_] | None = None,
    *,
    seconds: float | None = None,
    cutoff: float | None = None,
    start: Floats | None = None,
    seed: int = 0,
    lower: Floats | None = None,
    stopped: Callable[[], bool] | None = None,
) -> Solved:
    """Least ``cost @ x`` with ``lower <= x <= upper`` and ``row_lower <= A x <= row_upper``.

    ``rows``: (starts, columns, values) of A by rows. ``whole``: which x are whole numbers. ``cutoff``: solutions of at
    least this value are of no use; with none below it the bound is the cutoff. ``stopped`` is asked several times a
    second: a limit like that of the time, with what was found until then. It has to come from another thread.
    """
    # The plain class: the one with callbacks prints a banner when it is made.
    model: Any = highspy_core._Highs()
    for option, setting in (("output_flag", False), ("random_seed", seed % 2**31), ("threads", 1)):
        model.setOptionValue(option, setting)
    if seconds is not None:
        model.setOptionValue("time_limit", max(0.01, seconds))
    programme = highspy.HighsLp()
    programme.num_col_, programme.num_row_ = len(cost), len(row_lower)
    programme.col_cost_ = cost
    programme.col_lower_ = np.zeros(len(cost)) if lower is None else lower
    programme.col_upper_ = np.where(np.isfinite(upper), upper, _INFINITE)
    programme.row_lower_ = np.where(np.isfinite(row_lower), row_lower, -_INFINITE)
    programme.row_upper_ = np.where(np.isfinite(row_upper), row_upper, _INFINITE)
    programme.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    programme.a_matrix_.start_, programme.a_matrix_.index_, programme.a_matrix_.value_ = rows
    if whole is not None:
        kinds = (highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger)
        programme.integrality_ = [kinds[int(w)] for w in whole]
        model.setOptionValue("mip_rel_gap", 1e-9)
        model.setOptionValue("mip_abs_gap", 1e-9)
        model.setOptionValue("mip_feasibility_tolerance", 1e-7)
        if cutoff is not None:
            model.setOptionValue("objective_bound", cutoff)
    if stopped is not None:
        _stop_when(model, stopped)
    model.passModel(programme)
    if whole is not None and start is not None:
        solution = highspy.HighsSolution()
        solution.col_value = start
        model.setSolution(solution)
    model.run()
    status = model.getModelStatus()
    known = highspy.HighsModelStatus
    info = model.getInfo()
    if status == known.kOptimal:
        value = float(info.objective_function_value)
        bound = float(info.mip_dual_bound) if whole is not None else value
        return Solved(np.array(model.getSolution().col_value), value, bound, True)
    if status in (known.kInfeasible, known.kObjectiveBound):
        return Solved(None, None, np.inf if cutoff is None else cutoff, True)
    if whole is not None:
        found = info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible
        x = np.array(model.getSolution().col_value) if found else None
        return Solved(x, float(info.objective_function_value) if found else None, float(info.mip_dual_bound), False)
    return Solved(None, None, -np.inf, False)


def _stop_when(model: Any, stopped: Callable[[], bool]) -> None:
    """Have a model asked whether to end while it is solved.

    It swallows exceptions, an interrupt from the keyboard too: only for a process that nobody interrupts so.
    """

    def asked(kind: int, message: str, told: Any, answer: Any, user: object) -> None:
        if answer is not None and stopped():
            answer.user_interrupt = True

    model.setCallback(asked, None)
    kinds = highspy_core.cb.HighsCallbackType
    for kind in (kinds.kCallbackMipInterrupt, kinds.kCallbackSimplexInterrupt):
        model.startCallback(kind)


def transport(problem: LocationProblem, sites: Ints) -> Location | None:
    """Cheapest shares with these sites open, customers divisible; None when their capacities do not do."""
    k, m = len(sites), problem.customers
    room = problem.capacity[sites]
    if room.sum() < problem.demand.sum() * (1 - 1e-12):
        return None
    cost = problem.cost[:, sites]
    near = cost.argmin(axis=1)
    share = np.zeros((m, k))
    share[np.arange(m), near] = 1.0
    if (problem.demand @ share <= room).all():
        return Location(sites, share)
    whole = bool((problem.demand == np.rint(problem.demand)).all() and (problem.demand > 0).all())
    flows = _flows(problem, sites) if whole and m * k >= _FLOW_FROM else None
    if flows is not None:
        return Location(sites, flows / flows.sum(axis=1, keepdims=True))
    # x[j, a] are shares; rows: customers first, then sites.
    starts = np.concatenate([np.arange(m) * k, m * k + np.arange(k + 1) * m])
    columns = np.concatenate([np.arange(m * k), (np.arange(m)[None, :] * k + np.arange(k)[:, None]).ravel()])
    scale = max(1.0, float(problem.demand.mean()))
    values = np.concatenate([np.ones(m * k), np.tile(problem.demand / scale, k)])
    lower = np.concatenate([np.ones(m), np.full(k, -np.inf)])
    upper = np.concatenate([np.ones(m), room / scale])
    found = solve_rows(cost.ravel(), np.full(m * k, np.inf), (starts, columns, values), lower, upper)
    if found.x is None:
        return None
    share = np.clip(found.x.reshape(m, k), 0.0, 1.0)
    share[share < 1e-9] = 0.0
    return Location(sites, share / share.sum(axis=1, keepdims=True))


def _flows(problem: LocationProblem, sites: Ints) -> Floats | None:
    """Units [customer, site] of a cheapest flow, for whole demands; costs a unit are rounded to 1e-9 of the dearest.

    With whole demands a site's part capacity is of no use, so capacities are rounded down. None when it fails.
    """
    k, m = len(sites), problem.customers
    demand = problem.demand.astype(np.int64)
    total = int(demand.sum())
    unit = problem.cost[:, sites] / problem.demand[:, None]
    unit = np.rint(unit * (1e9 / max(1e-12, float(np.abs(unit).max())))).astype(np.int64)
    room = np.minimum(np.floor(problem.capacity[sites]), total).astype(np.int64)
    graph = min_cost_flow.SimpleMinCostFlow()
    graph.add_arcs_with_capacity_and_unit_cost(
        np.repeat(np.arange(m), k), m + np.tile(np.arange(k), m), np.repeat(demand, k), unit.ravel()
    )
    graph.add_arcs_with_capacity_and_unit_cost(m + np.arange(k), np.full(k, m + k), room, np.zeros(k, dtype=np.int64))
    graph.set_nodes_supplies(np.arange(m), demand)
    graph.set_nodes_supplies(np.array([m + k]), np.array([-total]))
    if graph.solve() != graph.OPTIMAL:
        return None
    return np.asarray(graph.flows(np.arange(m * k)), dtype=np.float64).reshape(m, k)


def solve_core(
    problem: LocationProblem,
    state: NDArray[np.int8],
    usable: NDArray[np.bool_],
    *,
    cutoff: float | None,
    seconds: float | None,
    seed: int,
    start: Location | None = None,
) -> tuple[Location | None, float, bool]:
    """The problem with decided sites (-1 shut, 1 open) and only the ``usable`` [customer, site] pairs, by branch and
    bound of HiGHS: (best choice found below the cutoff, bound on every choice within the core, ended).

    y_i opens site i, x_ji is the share of customer j it serves:
    min sum f_i y_i + sum c_ji x_ji;  sum_i x_ji = 1;  sum_j d_j x_ji <= s_i y_i;  x_ji <= y_i;  sum y_i = count.
    """
    sites = np.flatnonzero(state >= 0)
    where = np.full(problem.sites, -1)
    where[sites] = np.arange(len(sites))
    pair_customer, pair_site = np.nonzero(usable & (state >= 0)[None, :])
    if (np.bincount(pair_customer, minlength=problem.customers) == 0).any():
        return None, np.inf if cutoff is None else cutoff, True
    n, p = len(sites), len(pair_customer)
    limited = problem.limited
    cost = np.concatenate([problem.fixed[sites], problem.cost[pair_customer, pair_site]])
    lower = np.zeros(n + p)
    lower[:n] = state[sites] == 1
    column = n + np.arange(p)
    site_row = where[pair_site]
    r, c, v, lo, hi = (
        [pair_customer],
        [column],
        [np.ones(p)],
        [np.ones(problem.customers)],
        [np.ones(problem.customers)],
    )
    rows = problem.customers
    if limited:
        room = np.minimum(problem.capacity[sites], problem.demand.sum())
        r += [rows + site_row, rows + np.arange(n)]
        c += [column, np.arange(n)]
        v += [problem.demand[pair_customer], -room]
        lo.append(np.full(n, -np.inf))
        hi.append(np.zeros(n))
        rows += n
        r.append(np.full(n, rows))
        c.append(np.arange(n))
        v.append(room)
        lo.append(np.array([problem.demand.sum()]))
        hi.append(np.array([np.inf]))
        rows += 1
    linked = np.flatnonzero(state[pair_site] == 0)
    r += [rows + np.arange(len(linked))] * 2
    c += [column[linked], site_row[linked]]
    v += [np.ones(len(linked)), -np.ones(len(linked))]
    lo.append(np.full(len(linked), -np.inf))
    hi.append(np.zeros(len(linked)))
    rows += len(linked)
    if problem.count is not None:
        r.append(np.full(n, rows))
        c.append(np.arange(n))
        v.append(np.ones(n))
        lo.append(np.array([float(problem.count)]))
        hi.append(lo[-1])
        rows += 1
    matrix = csr_array((np.concatenate(v), (np.concatenate(r), np.concatenate(c))), shape=(rows, n + p))
    whole = np.ones(n + p, dtype=np.bool_)
    whole[n:] = problem.whole and limited
    warm = None
    if start is not None:
        warm = np.zeros(n + p)
        warm[where[start.open]] = 1.0
        position = np.full(problem.sites, -1)
        position[start.open] = np.arange(len(start.open))
        served = position[pair_site] >= 0
        warm[n:][served] = start.share[pair_customer[served], position[pair_site[served]]]
    found = solve_rows(
        cost,
        np.ones(n + p),
        (matrix.indptr, matrix.indices, matrix.data),
        np.concatenate(lo),
        np.concatenate(hi),
        whole,
        seconds=seconds,
        cutoff=cutoff,
        start=warm,
        seed=seed,
        lower=lower,
    )
    if found.x is None:
        return None, found.bound, found.ended
    chosen = np.flatnonzero(found.x[:n] > 0.5)
    full = np.zeros((problem.customers, n))
    full[pair_customer, site_row] = found.x[n:]
    share = full[:, chosen]
    if whole[n:].any() or not limited:
        first = share.argmax(axis=1)
        share = np.zeros_like(share)
        share[np.arange(len(share)), first] = 1.0
    else:
        share = np.clip(share, 0.0, 1.0)
        share /= share.sum(axis=1, keepdims=True)
    return Location(sites[chosen], share), found.bound, found.ended

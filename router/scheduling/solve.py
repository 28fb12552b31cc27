"""Solving a shop: first plan, then the search, in one process or several.

Workers speak through the executor interface of ``concurrent.futures`` only, so any executor that can send values to
other processes will do. A small shop is searched by all of them from different seeds; a large one is cut between
machines, each worker keeps to its share, and the cut is drawn anew in every epoch.
"""

from __future__ import annotations

import multiprocessing
import multiprocessing.synchronize
import random
import signal
import threading
import time
import uuid
from collections.abc import Callable, Collection, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, wait
from dataclasses import dataclass, field, replace

import numpy as np

from router.kernel.cores import cores
from router.kernel.deaf import born_deaf
from router.kernel.lead import end_with_the_lead
from router.kernel.run import AnyOf, Cancelled, GapReached, Listener, Progress, Silent, Stop, TimeLimit, WorkLimit
from router.kernel.seeds import child_seed
from router.scheduling.draft import Care, Draft, Plan, Sizes
from router.scheduling.rooms import Rooms
from router.scheduling.search import MANY_LINES, Knobs, Search, fill_gaps, first_plan
from router.scheduling.shop import Shop

_SHARED_FROM = 12
"""Shops with fewer machines than this a worker are not cut: every worker searches all of it."""
_LEAST_EPOCH_S, _MOST_EPOCH_S, _EPOCHS = 2.0, 10.0, 6
_LISTEN_S = 0.1
"""How often a team that waits for its workers looks whether the run was cancelled."""
_FIRST_EPOCH_S = 0.4
"""An easy shop is done in one of these."""


@dataclass(frozen=True, slots=True)
class SolveParams:
    """How long and how a run searches."""

    seed: int = 0
    seconds: float | None = 30.0
    """Wall-clock budget of first plan and search; None for no time limit."""
    work: int | None = None
    """Search rounds; with some, no time limit and one worker, equal seeds give equal plans bit for bit, on a shop and
    rooms made afresh: both remember what fits."""
    workers: int = 1
    care: Care | None = None
    """How carefully places are looked for; None for what suits the number of lines."""
    knobs: Knobs = field(default_factory=Knobs)

    def __post_init__(self) -> None:
        if self.seconds is None and self.work is None:
            raise ValueError("a run needs a time limit, a work limit or both")


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a run found. ``trace``: (seconds, rounds, cents) at each better plan."""

    draft: Draft
    work: int
    seconds: float
    stop_reason: str
    trace: tuple[tuple[float, int, int], ...]
    first_cents: int
    workers: int


def sizes_for(shop: Shop, plates: int | None = None, start: Plan | None = None) -> Sizes:
    """Table sizes that a sensible plan, and the one to begin with, stay within."""
    lines = shop.lines
    first = shop.kinds["first"].min(axis=1)
    full = np.ones(len(first), dtype=np.int64)
    for kind in range(len(full)):
        spans = [s for s in shop.kinds[kind] if s["last"] > s["first"]]
        full[kind] = max((int(shop.variants["full"][s["first"] : s["last"]].max()) for s in spans), default=1)
    plates_of_line = np.ceil(lines["quantity"] / np.maximum(1, full[lines["kind"]]))
    most = int(plates_of_line.sum())
    # Queues may be uneven: a machine that alone can build something builds all of it.
    need = np.bincount(lines["powder"], plates_of_line, shop.rates.shape[1])
    able = np.maximum(1, (shop.rates["open"] > 0).sum(axis=0))
    share = ((shop.rates["open"] > 0) * (need / able)).sum(axis=1).max(initial=0.0)
    standing = [len(plates) for plates in start or []]
    plates = plates or 2 * max(most, sum(standing)) + 4 * len(shop.machines) + 1000
    longest = max(min(most + 8, 64 + 6 * share), max(standing, default=0) + 8)
    widest = max((len(on) for queue in start or [] for on, _ in queue), default=0)
    return Sizes(plates, int(longest), max(64, widest + 16))


def workers_for(machines: int) -> int:
    """Processes worth having for a shop of so many machines here: no more than cores, each with machines enough."""
    return max(1, min(cores(), machines // _SHARED_FROM))


def care_for(lines: int) -> Care:
    """The care of a search over so many lines."""
    return Care(tries=5) if lines > MANY_LINES else Care()


def solve(
    shop: Shop,
    rooms: Rooms,
    params: SolveParams,
    *,
    bound: float | None = None,
    listener: Listener | None = None,
    cancel: threading.Event | None = None,
    executor: Executor | None = None,
    start: Plan | None = None,
    firm: Sequence[int] | None = None,
    machines: Collection[int] | None = None,
    started: float | None = None,
) -> Outcome:
    """The best plan found.

    ``start``: a plan to begin with, of which ``firm`` plates at the front of each queue stay and of which only
    ``machines`` are searched, by one worker (None: all); ``started`` (monotonic seconds) counts earlier work into the
    budget; ``executor``: where workers run, without one in ``params.workers``
    processes of our own (none for one worker).
    """
    started = time.monotonic() if started is None else started
    listener = listener or Silent()
    if params.care is None:
        params = replace(params, care=care_for(len(shop.lines)))
    draft = Draft(shop, rooms, sizes_for(shop, start=start), child_seed(params.seed, "draft") % (1 << 31), params.care)
    trace: list[tuple[float, int, int]] = []

    def better(work: int, cents: int) -> None:
        seconds = time.monotonic() - started
        trace.append((round(seconds, 3), work, cents))
        listener.incumbent(cents, seconds)

    if start is not None:
        draft.load(start)
        if firm is not None:
            draft.hold(firm)
        if machines is not None:
            draft.keep_to(machines)
    else:
        listener.phase("first plan", len(shop.lines))
        first_plan(draft, listener)
        better(0, draft.cents)
    first_cents = draft.cents
    listener.phase("search", params.work)
    rules: list[Stop] = [GapReached(0.0)]
    if params.seconds is not None:
        rules.append(TimeLimit(params.seconds, started))
    if params.work is not None:
        rules.append(WorkLimit(params.work))
    if cancel is not None:
        rules.append(Cancelled(cancel))
    left = float("inf") if params.seconds is None else started + params.seconds - time.monotonic()
    alone = params.work is not None or left < _LEAST_EPOCH_S or machines is not None
    workers = 1 if alone else max(1, params.workers)
    if workers == 1:
        begun = time.monotonic()
        search = Search(
            draft,
            child_seed(params.seed, "search"),
            AnyOf(rules),
            lambda work: _used(params, work, begun, left),
            bound,
            listener,
            better,
            params.knobs,
        )
        log = search.run()
        work, reason = log.work, log.stop_reason
    else:
        team = _Team(draft, params, AnyOf(rules), bound, listener, better, started, cancel)
        work, reason = team.run(executor)
    return Outcome(draft, work, round(time.monotonic() - started, 3), reason, tuple(trace), first_cents, workers)


def _used(params: SolveParams, work: int, begun: float, left: float) -> float:
    # With a work limit the clock has no say, so that equal seeds anneal alike.
    if params.work is not None:
        return work / max(1, params.work)
    return (time.monotonic() - begun) / max(0.001, left)


@dataclass(frozen=True, slots=True)
class Share:
    """What one worker does in one epoch."""

    run: str
    """Which run this is: a worker that was started for it has shop and rooms at home."""
    home: tuple[Shop, Rooms] | None
    """Shop and rooms for workers that have not."""
    sizes: Sizes
    plan: Plan
    machines: tuple[int, ...] | None
    """Machines it may change; None for all."""
    firm: tuple[int, ...]
    """Plates at the front of each queue that stay."""
    seed: int
    seconds: float
    heat_from: float
    heat_to: float
    """Share of the whole search's budget used at the start and the end of the epoch."""
    bound: float | None
    care: Care | None
    knobs: Knobs


def work_share(share: Share) -> tuple[Plan, int, int, int]:
    """A worker's epoch, in whatever process: queues of its machines (of others none), missing pieces, cents, rounds."""
    shop, rooms = share.home or _AT_HOME[share.run]
    draft = Draft(shop, rooms, share.sizes, share.seed % (1 << 31), share.care)
    draft.load(share.plan)
    draft.hold(share.firm)
    if share.machines is not None:
        draft.keep_to(share.machines)
    begun = time.monotonic()
    rules: list[Stop] = [GapReached(0.0), TimeLimit(share.seconds)]
    if share.home is None:
        rules.append(Cancelled(_ENOUGH[share.run]))
    log = Search(
        draft,
        share.seed,
        AnyOf(rules),
        lambda _: (
            share.heat_from + (share.heat_to - share.heat_from) * (time.monotonic() - begun) / max(0.001, share.seconds)
        ),
        share.bound,
        knobs=share.knobs,
    ).run()
    found = draft.unload()
    if share.machines is not None:
        found = [queue if k in share.machines else [] for k, queue in enumerate(found)]
    return found, draft.missing, draft.cents, log.work


def _without_contents(plan: Plan, machines: tuple[int, ...] | None) -> Plan:
    """A plan for a worker that changes some machines only: of the others it needs to know who is on the plates, not
    where; positions are most of what a plan weighs on its way."""
    if machines is None:
        return plan
    return [queue if k in machines else [(on, None) for on, _ in queue] for k, queue in enumerate(plan)]


_AT_HOME: dict[str, tuple[Shop, Rooms]] = {}
"""In a worker: shop and rooms of the run it was started for. What the rooms remember lives on from epoch to epoch."""
_ENOUGH: dict[str, multiprocessing.synchronize.Event] = {}
"""In a worker: set when the run was cancelled."""


def _settle_in(run: str, shop: Shop, rooms: Rooms, enough: multiprocessing.synchronize.Event) -> None:
    # An interrupt is the lead's business; a worker that died of it would take its share along.
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # where none can be born deaf
    end_with_the_lead()
    _AT_HOME[run] = (shop, rooms)
    _ENOUGH[run] = enough


class _Team:
    """Several workers on one draft, epoch by epoch."""

    def __init__(
        self,
        draft: Draft,
        params: SolveParams,
        stop: Stop,
        bound: float | None,
        listener: Listener,
        better: Callable[[int, int], None],
        started: float,
        cancel: threading.Event | None,
    ) -> None:
        self.draft = draft
        self.params = params
        self.stop = stop
        self.bound = bound
        self.listener = listener
        self.better = better
        assert params.seconds is not None
        self.begun = time.monotonic()
        self.until = started + params.seconds
        self.rng = random.Random(child_seed(params.seed, "team"))
        self.cancel = cancel
        self.run_id = uuid.uuid4().hex

    def run(self, executor: Executor | None) -> tuple[int, str]:
        if executor is not None:
            return self._epochs(executor, (self.draft.shop, self.draft.rooms), None)
        # A fork shares the compiled kernels; with threads about it is not safe, and a fresh process is.
        able = "fork" in multiprocessing.get_all_start_methods() and threading.active_count() == 1
        method = "fork" if able else "spawn"
        context = multiprocessing.get_context(method)
        enough = context.Event()
        home = (self.run_id, self.draft.shop, self.draft.rooms, enough)
        pool = ProcessPoolExecutor(self.params.workers, context, _settle_in, home)
        try:
            return self._epochs(pool, None, enough)
        finally:
            # Who is still searching, after a second interrupt or beside a lost worker, is not to hold up the exit.
            enough.set()
            pool.shutdown(wait=False, cancel_futures=True)

    def _epochs(
        self, pool: Executor, home: tuple[Shop, Rooms] | None, enough: multiprocessing.synchronize.Event | None
    ) -> tuple[int, str]:
        draft, workers = self.draft, self.params.workers
        work = 0
        carriage = 0.0
        epoch = min(_MOST_EPOCH_S, max(_LEAST_EPOCH_S, (self.until - self.begun) / _EPOCHS))
        number = 0
        while True:
            reason = self._reason(work)
            if reason is not None:
                return work, reason
            now = time.monotonic()
            # What the plan's way there and back took last time is not there for searching.
            left = max(_FIRST_EPOCH_S, self.until - now - carriage)
            seconds = min(epoch if number else _FIRST_EPOCH_S, left)
            if left - seconds < _LEAST_EPOCH_S:
                seconds = left
            cuts = self._cuts(number)
            plan = draft.unload()
            whole = max(0.001, self.until - self.begun)
            shares = [
                Share(
                    self.run_id,
                    home,
                    draft.sizes,
                    _without_contents(plan, cuts[w]),
                    cuts[w],
                    tuple(draft.firm.tolist()),
                    child_seed(self.params.seed, "share", number, w),
                    seconds,
                    (now - self.begun) / whole,
                    (now + seconds - self.begun) / whole,
                    self.bound if cuts[w] is None else None,
                    draft.care,
                    self.params.knobs,
                )
                for w in range(workers)
            ]
            try:
                with born_deaf():  # the first shares begin the processes
                    futures = [pool.submit(work_share, share) for share in shares]
                while wait(futures, _LISTEN_S).not_done:
                    if self.cancel is None or not self.cancel.is_set():
                        continue
                    if enough is None:
                        # Workers of somebody else's executor cannot be told; what they are at is not waited for.
                        for future in futures:
                            future.cancel()
                        return work, "cancelled"
                    enough.set()
                done = [future.result() for future in futures]
            except Exception as lost:  # whatever happened to a worker, the plan is here
                return work, f"a worker failed: {type(lost).__name__}: {lost}"
            work += sum(d[3] for d in done)
            before = (draft.missing, draft.cents)
            if cuts[0] is not None:
                found = list(plan)
                for machines, (theirs, _, _, _) in zip(cuts, done, strict=True):
                    for k in machines or ():
                        found[k] = theirs[k]
            else:
                found = min(done, key=lambda d: (d[1], d[2]))[0]
            try:
                draft.load(found)
                if draft.missing and cuts[0] is not None:
                    fill_gaps(draft)
            except ValueError:
                draft.load(plan)
            if (draft.missing, draft.cents) > before:
                draft.load(plan)
            if (draft.missing, draft.cents) < before:
                self.better(work, draft.cents)
            self.listener.step(work)
            carriage = time.monotonic() - now - seconds
            number += 1

    def _reason(self, work: int) -> str | None:
        bound = self.bound if self.draft.missing == 0 else None
        return self.stop.reason(Progress(work, 0, self.draft.cents, bound))

    def _cuts(self, number: int) -> list[tuple[int, ...] | None]:
        """Machines of each worker in this epoch: by site one time, by what is in them the next; None for all."""
        draft, workers = self.draft, self.params.workers
        n = len(draft.shop.machines)
        if n < _SHARED_FROM * workers:
            return [None] * workers
        if number % 2 == 0:
            key = draft.shop.machines["site"].tolist()
        else:
            first = [q[0] if (q := draft.queue(k)) else -1 for k in range(n)]
            key = [int(draft.book.plates[p]["powder"]) if p >= 0 else -1 for p in first]
        groups: dict[int, list[int]] = {}
        for k in range(n):
            groups.setdefault(key[k], []).append(k)
        if len(groups) < 2 * workers:
            groups = {k: [k] for k in range(n)}
        order = list(groups.values())
        self.rng.shuffle(order)
        shares: list[list[int]] = [[] for _ in range(workers)]
        for group in order:
            smallest = min(shares, key=lambda s: sum(int(draft.book.lengths[k]) for k in s))
            smallest.extend(group)
        return [tuple(sorted(s)) for s in shares]

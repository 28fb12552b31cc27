"""A waiting line on the project's own timing kernels: orders arrive by chance, each fills a plate of its own.

Orders are taken in the order of their arrival by the machine that is free first; when a build begins is left to
``set_queue``. A long line is run in stints, each beginning when the machines of the last one are free.
"""

from __future__ import annotations

import time
from dataclasses import dataclass

import numba as nb
import numpy as np
import numpy.typing as npt

from router.kernel.seeds import child_seed
from router.scheduling.book import Book, new_book, plate_with, set_queue
from router.scheduling.shop import Shop
from router.whatif.statistics import Interval, t_interval
from tests.bench.plain_shop import PlainLine, PlainMachine, PlainVariant, plain_shop

Ints = npt.NDArray[np.int64]
_MIN_PER_SERVICE = 6000
"""Minutes a mean service takes: times of the kernels are whole minutes."""
_STINT = 400
_FAR = 1 << 50


@dataclass(frozen=True, slots=True)
class Line:
    """Poisson arrivals at so many machines alike; service times with a mean of 1 and a squared variation ``scv``.

    ``load``: share of the time that a machine is busy in the long run. ``scv`` 0: always the same; 1: exponential;
    else gamma.
    """

    machines: int
    load: float
    scv: float = 1.0


@dataclass(frozen=True, slots=True)
class Waited:
    """What was seen over independent runs: mean wait in mean service times, and share of orders that waited."""

    wait: Interval
    waiting_share: Interval
    seconds: float


def simulate(line: Line, seed: int, runs: int = 20, orders: int = 20_000, level: float = 0.99) -> Waited:
    """Run the line from empty machines ``runs`` times; the first tenth of each run's orders is not counted."""
    began = time.monotonic()
    shop = _shop(line.machines)
    means, shares = [], []
    for run in range(runs):
        rng = np.random.default_rng(child_seed(seed, "queue", run))
        waits = _waits(shop, line, rng, orders)[orders // 10 :]
        means.append(float(waits.mean()) / _MIN_PER_SERVICE)
        shares.append(float((waits > 0).mean()))
    return Waited(t_interval(means, level), t_interval(shares, level), time.monotonic() - began)


def _shop(machines: int) -> Shop:
    lines = [PlainLine() for _ in range(_STINT)]
    variants = [[[PlainVariant(0, 1.0)]] for _ in range(_STINT)]
    made = [PlainMachine(site=0, model=0, plate=0, area=1.0, horizon=_FAR) for _ in range(machines)]
    shop = plain_shop(lines, made, variants, horizon=0)
    # One dispatch at the end of all days: deliveries have no say here.
    shop.posts["moment"] = _FAR
    shop.lines["own_plate"] = 1
    return shop


def _waits(shop: Shop, line: Line, rng: np.random.Generator, orders: int) -> Ints:
    gap_min = _MIN_PER_SERVICE / (line.load * line.machines)
    free = np.zeros(line.machines, dtype=np.int64)
    at, parts = 0.0, []
    while sum(map(len, parts)) < orders:
        arrivals = at + np.cumsum(rng.exponential(gap_min, _STINT))
        at = arrivals[-1]
        services = np.ones(_STINT) if line.scv == 0.0 else rng.gamma(1.0 / line.scv, line.scv, _STINT)
        stint = shop._replace(lines=shop.lines.copy(), machines=shop.machines.copy(), variants=shop.variants.copy())
        stint.lines["release"] = np.ceil(arrivals)
        stint.variants["exposure_h"] = np.maximum(1.0, np.round(services * _MIN_PER_SERVICE)) / 60.0
        stint.machines["free_from"] = free
        book = new_book(stint, _STINT + 1, _STINT + 1, 1)
        waits = np.empty(_STINT, dtype=np.int64)
        if not _serve(stint, book, free, waits):
            raise AssertionError("a build without a time, or a line without a delivery")
        parts.append(waits)
    return np.concatenate(parts)[:orders]


@nb.njit(cache=True)
def _serve(shop: Shop, book: Book, free: Ints, waits: Ints) -> bool:
    queue = np.empty(book.queues.shape[1], dtype=np.int64)
    for order in range(len(shop.lines)):
        k = np.argmin(free)
        n = book.lengths[k]
        queue[:n] = book.queues[k, :n]
        queue[n] = plate_with(shop, book, -1, k, order, order, 1)
        if queue[n] < 0 or not set_queue(shop, book, k, queue, n + 1):
            return False
        waits[order] = book.times[k, n].run - shop.lines[order].release
        free[k] = book.times[k, n].unload_end
    return True


def erlang_c(machines: int, load: float) -> float:
    """Share of orders that wait at an M/M/c line: Erlang C by way of the recursion for Erlang B."""
    offered, blocked = load * machines, 1.0
    for k in range(1, machines + 1):
        blocked = offered * blocked / (k + offered * blocked)
    return blocked / (1.0 - load * (1.0 - blocked))


def closed_wait(line: Line) -> float:
    """Mean wait in mean service times: Erlang C for exponential service, Pollaczek-Khinchine for one machine.

    Raises ValueError where there is no closed form.
    """
    if line.scv == 1.0:
        return erlang_c(line.machines, line.load) / (line.machines * (1.0 - line.load))
    if line.machines == 1:
        return line.load * (1.0 + line.scv) / (2.0 * (1.0 - line.load))
    raise ValueError("several machines have a closed form for exponential service only")

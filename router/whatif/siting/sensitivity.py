"""How the choice of a site hangs on its assumptions: one input at a time, and growth against freight price."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from router.domain.siting import SitingQuestion
from router.whatif.siting.network_choice import Case, NetworkChoice, bettered, choose_network
from router.whatif.siting.offers import Offers


@dataclass(frozen=True, slots=True)
class Answer:
    """The best choice under some terms beside the network as it is."""

    label: str
    cents: float
    as_is_cents: float
    proven: bool

    @property
    def saving_cents(self) -> float:
        return self.as_is_cents - self.cents


@dataclass(frozen=True, slots=True)
class TornadoBar:
    """One input at its low and its high value."""

    name: str
    low: float
    high: float
    at_low: Answer
    at_high: Answer

    @property
    def width_cents(self) -> float:
        return abs(self.at_high.cents - self.at_low.cents)


@dataclass(frozen=True, slots=True)
class MapCell:
    """One field of the break-even map."""

    growth: float
    freight_factor: float
    answer: Answer


def never() -> bool:
    """Nobody asks to stop."""
    return False


def tornado(
    question: SitingQuestion, answer: Callable[[Case], Answer], stopped: Callable[[], bool] = never
) -> tuple[TornadoBar, ...]:
    """A bar for every swing of the file, the widest first; fewer when ``stopped`` says so on the way."""
    base = Case.of(question.terms)
    bars = []
    for name, s in question.swings:
        if stopped():
            break
        low, high = answer(base.varied(name, s.low)), answer(base.varied(name, s.high))
        if stopped():
            break  # the answer under way was not sought to its end
        bars.append(TornadoBar(name, s.low, s.high, low, high))
    return tuple(sorted(bars, key=lambda b: (-b.width_cents, b.name)))


def break_even_map(
    question: SitingQuestion, answer: Callable[[Case], Answer], stopped: Callable[[], bool] = never
) -> tuple[MapCell, ...]:
    """A cell for every growth and freight factor of the file, growth outermost; fewer when ``stopped`` says so."""
    base = Case.of(question.terms)
    cells: list[MapCell] = []
    for growth in question.growth_steps:
        for freight in question.freight_steps:
            if stopped():
                return tuple(cells)
            varied = base.varied("growth", growth).varied("freight_factor", freight)
            found = answer(varied)
            if stopped():
                return tuple(cells)
            cells.append(MapCell(growth, freight, found))
    return tuple(cells)


def answer_by(
    offers: Offers, most_sites: int, seconds: float | None, seed: int, stopped: Callable[[], bool] | None = None
) -> Callable[[Case], Answer]:
    """Solves a case with and without new sites; equal cases once."""
    known: dict[Case, Answer] = {}

    def answer(case: Case) -> Answer:
        if case not in known:
            best = choose_network(offers, case, most_sites, seconds=seconds, seed=seed, stopped=stopped)
            as_is = choose_network(offers, case, 0, only=(), seconds=seconds, seed=seed)
            without = bettered(as_is, (best,), 0, (), best.bound_cents)
            known[case] = to_answer(bettered(best, (as_is,), most_sites), without)
        return known[case]

    return answer


def to_answer(best: NetworkChoice, as_is: NetworkChoice) -> Answer:
    """Both choices in short."""
    proven = best.status.value == "optimal" and as_is.status.value == "optimal"
    return Answer(best.label(), best.total_cents, as_is.total_cents, proven)

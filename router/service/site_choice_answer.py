"""The answer to where the next site should stand, and what it says in sentences."""

from __future__ import annotations

from dataclasses import dataclass

from router.domain.siting import SitingQuestion
from router.kernel.money import round_cents
from router.kernel.run import Status
from router.report.wording import count, listed, money, number, percent
from router.service.site_check import Agreement, SiteCheck
from router.whatif.siting.network_choice import NetworkChoice
from router.whatif.siting.offers import Offers
from router.whatif.siting.sensitivity import MapCell, TornadoBar


@dataclass(frozen=True, slots=True)
class SiteChoice:
    """The answer: the best choice, the network as it is, each place alone, and how the choice hangs on the inputs."""

    question: SitingQuestion
    offers: Offers
    most_sites: int
    best: NetworkChoice
    as_is: NetworkChoice
    alone: tuple[tuple[str, NetworkChoice], ...]
    """By candidate, the cheapest choice with a site there and nowhere else, or nowhere; cheapest first."""
    bars: tuple[TornadoBar, ...]
    cells: tuple[MapCell, ...]
    seed: int
    currency: str
    check: SiteCheck | None = None
    """None when it was not asked for."""

    @property
    def whole(self) -> bool:
        """Whether every place was tried alone and every input varied: not when it was stopped on the way."""
        question = self.question
        fields = len(question.growth_steps) * len(question.freight_steps)
        places = len(question.candidates)
        return (len(self.alone), len(self.bars), len(self.cells)) == (places, len(question.swings), fields)

    @property
    def saving_cents(self) -> float:
        """A year, investments included."""
        return self.as_is.total_cents - self.best.total_cents

    @property
    def payback_years(self) -> float | None:
        """Investment over the yearly saving before capital; None when nothing is invested or nothing saved."""
        running = self.saving_cents + self.best.parts["capital"]
        if self.best.investment_cents <= 0 or running <= 0:
            return None
        return self.best.investment_cents / running


@dataclass(frozen=True, slots=True)
class Pointers:
    """How the reader goes on from the sentences, which differs between a folder of files and a page."""

    to_check: str = "check the choice by simulation (--check)"
    left_out: str = "assignment.csv says why"


def sentences(found: SiteChoice, pointers: Pointers | None = None) -> list[str]:
    """The answer in words: what to do, why, against what, how sure, what was assumed."""
    pointers = pointers or Pointers()
    best, as_is, currency = found.best, found.as_is, found.currency
    said = []
    proven = best.status is Status.OPTIMAL and as_is.status is Status.OPTIMAL
    if not best.opened and not proven:
        least = min(best.total_cents, as_is.total_cents)
        said.append(
            f"No new site that pays was found in the time given: a year's demand costs {_cash(least, currency)} without"
            " one, as far as was found. That none pays is not proven; give the programmes more seconds."
        )
    elif not best.opened:
        said.append(
            f"No new site pays under these terms: meeting a year's demand costs {_cash(best.total_cents, currency)}, "
            "and every place considered would cost more."
        )
    else:
        where = listed(o.label() for o in best.opened)
        said.append(
            f"Open {where}. A year's demand then costs {_cash(best.total_cents, currency)} instead of "
            f"{_cash(as_is.total_cents, currency)}: {_cash(found.saving_cents, currency)} less, the investment of "
            f"{_cash(best.investment_cents, currency)} paid off over its life included."
        )
        said += _how_sure_of_as_is(found)
        moved = sorted(best.parts, key=lambda p: abs(best.parts[p] - as_is.parts[p]), reverse=True)[:3]
        said.append(
            "What changes most: "
            + listed(f"{p} {_cash(as_is.parts[p], currency)} to {_cash(best.parts[p], currency)}" for p in moved)
            + " a year."
        )
        if found.payback_years is not None:
            said.append(
                f"The investment comes back in {number(found.payback_years, 1)} years of saving before capital."
            )
    gap = (best.total_cents - best.bound_cents) / best.total_cents if best.total_cents > 0 else 0.0
    if best.status.value == "optimal":
        said.append("Within the model no other choice is cheaper: this one is proven.")
    else:
        said.append(f"The search ended before the proof: no choice is cheaper by more than {percent(gap, 2)}.")
    rivals = [(c, n) for c, n in found.alone if n.opened and n.label() != best.label()]
    if rivals and best.opened:
        _, second = rivals[0]
        extra = _cash(second.total_cents - best.total_cents, currency)
        of_them = "" if found.whole else " of those tried"
        proven = all(n.status is Status.OPTIMAL for _, n in found.alone)
        sure = "" if proven else ", as far as was found"
        said.append(f"The next best single place{of_them} is {second.label()}, dearer by {extra} a year{sure}.")
    said += check_sentences(found.check, currency) if found.check is not None else []
    said += _turning(found)
    if not found.whole:
        said.append("It was stopped on the way: not every place was tried alone, or not every input varied.")
    if found.offers.without:
        lines = count(len(found.offers.without), "line")
        said.append(f"{lines} of the history can be built nowhere and are left out ({pointers.left_out}).")
    said.append(
        f"The demand is the order book's {count(len(found.offers.problem.lines), 'line')}, taken as "
        f"{number(found.question.terms.history_days.value)} days; lines may be shared between sites in a year. "
        "Hours of machines there are cost only the share of their rate that is saved when they stand; due dates, the "
        "filling of single plates and waiting are not in this model"
        + (", but in the simulation." if found.check else f": {pointers.to_check}." if best.opened else ".")
    )
    if found.question.assumptions:
        said.append(f"{count(len(found.question.assumptions), 'figure')} of the file without a source are assumptions.")
    return said


def check_sentences(check: SiteCheck, currency: str) -> list[str]:
    """What the simulation says of every choice that was lived through; what it cannot say, too."""
    if not check.checked:
        return ["There is no new site to be checked by simulation."]
    said = []
    for c in check.checked:
        interval = c.difference.interval
        half = "" if interval.half_width is None else f" ± {_cash(interval.half_width, currency)}"
        text = (
            f"Checked by simulation ({interval.replications} times {check.asked.months:g} months, with and without on"
            f" the same orders), {c.label} changes the cost of a year by {_cash(interval.mean, currency)}{half};"
            f" the programme says {_cash(-c.programme_saving_cents, currency)}."
        )
        if c.agreement is Agreement.AGREES:
            text += " The simulation agrees that it pays."
        elif c.agreement is Agreement.DISAGREES:
            text += " The simulation disagrees: it does not pay."
        elif c.difference.to_settle is None or c.difference.to_settle_surely is None:
            text += " The simulation cannot tell, and no number of replications in reach would settle it."
        else:
            text += (
                f" The simulation cannot tell: about {c.difference.to_settle} replications would settle a difference of"
                f" this size with even odds, {c.difference.to_settle_surely} in four cases of five."
            )
        text += f" Late lines: {percent(c.late_share[0])} without, {percent(c.late_share[1])} with."
        if any(c.not_built):
            text += (
                f" Lines that nobody builds ({number(c.not_built[0], 1)} without, {number(c.not_built[1], 1)} with) are"
                f" counted at {_cash(check.bought_line_cents, currency)} each, bought elsewhere."
            )
        said.append(text)
    said.append(
        "In the simulation what full machines cannot do in time is late, and lateness is paid; the programme has it"
        " bought elsewhere instead. The two figures differ by that too."
    )
    return said


def _how_sure_of_as_is(found: SiteChoice) -> list[str]:
    """What is to be said where the time ended the search for how cheap the network as it is can be."""
    if found.as_is.status is Status.OPTIMAL:
        return []
    low, currency = found.as_is.bound_cents, found.currency
    proven = low - found.best.total_cents
    saves = f"{_cash(proven, currency)} less is all that" if proven > 0 else "no saving"
    return [
        f"How cheap the network as it is can be was not found in the time given, {_cash(low, currency)} at the least:"
        f" {saves} is proven. Give the programmes more seconds."
    ]


def shown_name(field: str) -> str:
    """An input as the file names it."""
    return "bought_per_h" if field == "bought_cents_per_h" else field


def shown_value(field: str, value: float) -> float:
    """Its value in the units of the file."""
    return value / 100 if field == "bought_cents_per_h" else value


def _turning(found: SiteChoice) -> list[str]:
    """Inputs whose low or high value changes the choice."""
    label = found.best.label()
    turns = []
    proven = found.best.status is Status.OPTIMAL and all(b.at_low.proven and b.at_high.proven for b in found.bars)
    for bar in found.bars:
        for value, answer in ((bar.low, bar.at_low), (bar.high, bar.at_high)):
            if answer.label != label:
                turns.append(f"{shown_name(bar.name)} at {shown_value(bar.name, value):g}: {answer.label}")
    if not found.bars:
        return []
    if not turns:
        said = "No input varied alone changes the choice, within the values tried"
    else:
        said = "The choice turns with " + "; ".join(turns)
    return [f"{said}." if proven else f"{said}; not every one of these choices is proven."]


def _cash(cents: float, currency: str) -> str:
    return money(round_cents(cents), currency)

"""Where should the next site stand? The answer to a question; and from a scenario folder and a file to a folder."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import count
from pathlib import Path

from router.domain.network import Scenario
from router.domain.siting import SitingQuestion
from router.formats import PLAN_FILE, refuse_foreign, write_result
from router.formats.siting_file import read_siting
from router.kernel.faults import Fault, FaultyInput, PlatewrightError
from router.kernel.run import Listener
from router.service.plan_folder import open_scenario
from router.service.site_check import CheckAsked, check_choices, refuse_kept_in, write_choices
from router.service.site_choice_answer import SiteChoice, sentences
from router.service.site_choice_files import CHOICE_FILES, choice_files
from router.whatif.siting.as_what_if import what_if_files
from router.whatif.siting.joined import joined
from router.whatif.siting.network_choice import Case, NetworkChoice, bettered, choose_network
from router.whatif.siting.offers import offers_of
from router.whatif.siting.sensitivity import Answer, answer_by, break_even_map, never, tornado
from router.whatif.sweep import Entry
from router.whatif.sweep.run import Quiet


def programmes(question: SitingQuestion) -> int:
    """How many programmes ``choose_sites`` solves for a question: all but those of one place with sites and without."""
    return len(question.candidates) + 2 * (1 + _variations(question))


def _variations(question: SitingQuestion) -> int:
    """Either end of every swing, and every field of the grid."""
    return 2 * len(question.swings) + len(question.growth_steps) * len(question.freight_steps)


def choose_sites(
    scenario: Scenario,
    question: SitingQuestion,
    most_sites: int,
    listener: Listener,
    seconds: float,
    seed: int,
    stopped: Callable[[], bool] | None = None,
    heard: Callable[[NetworkChoice], None] | None = None,
) -> SiteChoice:
    """Choose at most ``most_sites`` sites, try each place alone, vary the inputs. ``seconds`` for each programme.

    ``stopped`` ends the programme under way soon (``solve_rows``): the choice is then the best found, and what else is
    not done by then is left out.
    ``heard`` is told the choice as soon as it is known, and once more if a place tried alone turns out to be cheaper:
    of a programme that the time ended, no more is known than that.
    """
    listener.phase("what every machine asks for every line", None)
    offers = offers_of(joined(scenario, question), question.terms.plate_fill.value)
    if not offers.offers:
        raise PlatewrightError("no line of the book can be built anywhere: there is no demand to choose sites for")
    case, ends = Case.of(question.terms), stopped or never
    listener.phase("choosing sites", None)
    best = choose_network(offers, case, most_sites, seconds=seconds, seed=seed, stopped=stopped)
    if heard is not None:
        heard(best)
    # Nothing in it is a whole number: it takes moments, and without it there is nothing to set the choice beside.
    as_is = choose_network(offers, case, 0, only=(), seconds=seconds, seed=seed)
    listener.phase("each place alone", len(question.candidates))
    alone = []
    for done, candidate in enumerate(question.candidates, 1):
        if ends():
            break
        only = (candidate.candidate_id,)
        choice = choose_network(offers, case, 1, only, seconds, seed, stopped)
        if ends():
            break
        alone.append((candidate.candidate_id, choice))
        listener.step(done)
    found = (best, as_is, *(choice for _, choice in alone))
    as_is = bettered(as_is, found, 0, (), best.bound_cents)
    least = best.bound_cents if most_sites else 0.0
    alone = [(place, bettered(choice, found, 1, (place,), least)) for place, choice in alone]
    alone.sort(key=lambda pair: (pair[1].total_cents, pair[0]))
    at_first, best = best, bettered(best, found, most_sites)
    if heard is not None and best.total_cents < at_first.total_cents:
        heard(best)
    listener.phase("varying the inputs", _variations(question))
    solved, steps = answer_by(offers, most_sites, seconds, seed, stopped), count(1)

    def answer(varied: Case) -> Answer:
        told = solved(varied)
        listener.step(next(steps))
        return told

    return SiteChoice(
        question=question,
        offers=offers,
        most_sites=most_sites,
        best=best,
        as_is=as_is,
        alone=tuple(alone),
        bars=tornado(question, answer, ends),
        cells=break_even_map(question, answer, ends),
        seed=seed,
        currency=scenario.network.currency,
    )


def site_choice(
    folder: Path,
    candidates: Path,
    out: Path,
    most_sites: int,
    listener: Listener,
    seconds: float = 60.0,
    seed: int = 0,
    cache_dir: Path | None = None,
    check: CheckAsked | None = None,
    write_what_ifs: Path | None = None,
    written: Callable[[], None] | None = None,
) -> SiteChoice:
    """Read, choose (``choose_sites``), write.

    ``check``: live through the choice and as many runners-up as it says. Before that the answer is written without it,
    and ``written`` called: a check that is broken off leaves that answer. ``write_what_ifs``: a folder for the what-if
    files of the choice; results of the check are kept there too, and taken up again.
    Raises FaultyInput with every fault of the input before anything is written. The folder appears whole or not at all.
    """
    refuse_foreign(out, CHOICE_FILES)
    if (out / PLAN_FILE).exists():
        want = "a new name, an empty folder or the folder of an earlier choice of sites"
        raise FaultyInput([Fault(str(out), "", "", "the result of a plan", want)])
    if write_what_ifs is not None:
        refuse_kept_in(write_what_ifs)
    if not candidates.is_file():
        raise FaultyInput([Fault(str(candidates), "", "", "no such file", "a file of candidates (CANDIDATES.md)")])
    scenario = open_scenario(folder, listener, cache_dir)
    question = read_siting(candidates.read_bytes(), scenario.network, candidates.name)
    if check is not None or write_what_ifs is not None:
        what_if_files(scenario, question, ())  # says before the work when the demand cannot be simulated
    found = choose_sites(scenario, question, most_sites, listener, seconds, seed)
    rivals = [choice for _, choice in found.alone if choice.opened and choice.label() != found.best.label()]
    lived = [found.best, *rivals[: check.runners_up if check else 0]]
    if write_what_ifs is not None:
        write_choices(write_what_ifs, scenario, question, lived)
    if check is not None:
        write_result(out, choice_files(found, sentences(found)))
        if written is not None:
            written()
        asked = replace(check, kept_in=write_what_ifs)
        heard = _Heard(listener, "living through months")
        checked = check_choices(folder, scenario, question, found.offers, found.as_is, lived, asked, cache_dir, heard)
        found = replace(found, check=checked)
    write_result(out, choice_files(found, sentences(found)))
    return found


class _Heard(Quiet):
    """Tells the listener of a command how far a sweep is."""

    def __init__(self, listener: Listener, phase: str) -> None:
        self.listener, self.phase = listener, phase

    def began(self, total: int, already: int) -> None:
        self.listener.phase(self.phase, total)
        self.listener.step(already)

    def kept(self, entry: Entry, done: int, total: int) -> None:
        self.listener.step(done)

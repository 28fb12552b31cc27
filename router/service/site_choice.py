"""Where should the next site stand? From a scenario folder and a file of candidates to a folder with the answer."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from router.formats import RESULT_FILE, refuse_foreign, write_result
from router.formats.siting_file import read_siting
from router.kernel.faults import Fault, FaultyInput
from router.kernel.run import Listener
from router.service.plan_folder import open_scenario
from router.service.site_check import CheckAsked, check_choices, refuse_kept_in, write_choices
from router.service.site_choice_answer import SiteChoice, sentences
from router.service.site_choice_files import CHOICE_FILES, choice_files
from router.whatif.siting.as_what_if import what_if_files
from router.whatif.siting.joined import joined
from router.whatif.siting.network_choice import Case, choose_network
from router.whatif.siting.offers import offers_of
from router.whatif.siting.sensitivity import answer_by, break_even_map, tornado
from router.whatif.sweep import Entry
from router.whatif.sweep.run import Quiet


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
) -> SiteChoice:
    """Read, choose at most ``most_sites`` sites, vary the inputs, write. ``seconds`` for each programme.

    ``check``: live through the choice and as many runners-up as it says. ``write_what_ifs``: a folder for the what-if
    files of the choice; results of the check are kept there too, and taken up again.
    Raises FaultyInput with every fault before anything is written. The folder appears whole or not at all.
    """
    refuse_foreign(out, CHOICE_FILES)
    if write_what_ifs is not None:
        refuse_kept_in(write_what_ifs)
    if not candidates.is_file():
        raise FaultyInput([Fault(str(candidates), "", "", "no such file", "a file of candidates (CANDIDATES.md)")])
    scenario = open_scenario(folder, listener, cache_dir)
    question = read_siting(candidates.read_bytes(), scenario.network, candidates.name)
    listener.phase("what every machine asks for every line", None)
    if check is not None or write_what_ifs is not None:
        what_if_files(scenario, question, ())  # says before the work when the demand cannot be simulated
    offers = offers_of(joined(scenario, question), question.terms.plate_fill.value)
    case = Case.of(question.terms)
    listener.phase("choosing sites", None)
    best = choose_network(offers, case, most_sites, seconds=seconds, seed=seed)
    as_is = choose_network(offers, case, 0, only=(), seconds=seconds, seed=seed)
    listener.phase("each place alone", len(question.candidates))
    alone = []
    for done, candidate in enumerate(question.candidates, 1):
        only = (candidate.candidate_id,)
        alone.append((candidate.candidate_id, choose_network(offers, case, 1, only, seconds, seed)))
        listener.step(done)
    alone.sort(key=lambda pair: (pair[1].total_cents, pair[0]))
    rivals = [choice for _, choice in alone if choice.opened and choice.label() != best.label()]
    lived = [best, *rivals[: check.runners_up if check else 0]]
    if write_what_ifs is not None:
        write_choices(write_what_ifs, scenario, question, lived)
    checked = None
    if check is not None:
        asked = replace(check, kept_in=write_what_ifs)
        heard = _Heard(listener, "living through months")
        checked = check_choices(folder, scenario, question, offers, as_is, lived, asked, cache_dir, heard)
    listener.phase("varying the inputs", None)
    answer = answer_by(offers, most_sites, seconds, seed)
    found = SiteChoice(
        question=question,
        offers=offers,
        most_sites=most_sites,
        best=best,
        as_is=as_is,
        alone=tuple(alone),
        bars=tornado(question, answer),
        cells=break_even_map(question, answer),
        seed=seed,
        currency=scenario.network.currency,
        check=checked,
    )
    files = choice_files(found, sentences(found))
    assert RESULT_FILE in files
    write_result(out, files)
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

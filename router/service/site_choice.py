"""Where should the next site stand? From a scenario folder and a file of candidates to a folder with the answer."""

from __future__ import annotations

from pathlib import Path

from router.formats import RESULT_FILE, refuse_foreign, write_result
from router.formats.siting_file import read_siting
from router.kernel.faults import Fault, FaultyInput
from router.kernel.run import Listener
from router.service.plan_folder import open_scenario
from router.service.site_choice_answer import SiteChoice, sentences
from router.service.site_choice_files import CHOICE_FILES, choice_files
from router.whatif.siting.joined import joined
from router.whatif.siting.network_choice import Case, choose_network
from router.whatif.siting.offers import offers_of
from router.whatif.siting.sensitivity import answer_by, break_even_map, tornado


def site_choice(
    folder: Path,
    candidates: Path,
    out: Path,
    most_sites: int,
    listener: Listener,
    seconds: float = 60.0,
    seed: int = 0,
    cache_dir: Path | None = None,
) -> SiteChoice:
    """Read, choose at most ``most_sites`` sites, vary the inputs, write. ``seconds`` for each programme.

    Raises FaultyInput with every fault before anything is written. The folder appears whole or not at all.
    """
    refuse_foreign(out, CHOICE_FILES)
    if not candidates.is_file():
        raise FaultyInput([Fault(str(candidates), "", "", "no such file", "a file of candidates (CANDIDATES.md)")])
    scenario = open_scenario(folder, listener, cache_dir)
    question = read_siting(candidates.read_bytes(), scenario.network, candidates.name)
    listener.phase("what every machine asks for every line", None)
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
    )
    files = choice_files(found, sentences(found))
    assert RESULT_FILE in files
    write_result(out, files)
    return found

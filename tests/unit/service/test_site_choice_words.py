"""What the answer of a choice of sites says, and that it claims no more than is proven."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from router.formats import read_scenario
from router.formats.siting_file import read_siting
from router.kernel.run import Silent, Status
from router.service.site_choice import choose_sites
from router.service.site_choice_answer import SiteChoice, sentences

SCENARIOS = Path(__file__).resolve().parents[3] / "scenarios"


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> SiteChoice:
    scenario = read_scenario(SCENARIOS / "small", tmp_path_factory.mktemp("cache"))
    question = read_siting((SCENARIOS / "where_next" / "candidates.yaml").read_bytes(), scenario.network)
    question = replace(question, swings=(), growth_steps=(), freight_steps=())
    return choose_sites(scenario, question, 1, Silent(), 20.0, 0)


def test_that_no_site_pays_is_said_only_when_both_programmes_were_solved(found: SiteChoice) -> None:
    assert found.as_is.status is Status.OPTIMAL
    late = replace(found.as_is, status=Status.FEASIBLE)
    nothing = replace(found, best=found.as_is)
    assert sentences(nothing)[0].startswith("No new site pays under these terms")
    for best, as_is in ((late, found.as_is), (found.as_is, late), (late, late)):
        said = " ".join(sentences(replace(nothing, best=best, as_is=as_is)))
        assert "No new site pays" not in said and "every place considered" not in said
        assert "No new site that pays was found in the time given" in said and "not proven" in said


def test_a_saving_over_a_network_that_was_not_solved_is_not_taken_for_proven(found: SiteChoice) -> None:
    best, as_is = found.best, found.as_is
    assert best.opened and best.total_cents < as_is.total_cents
    assert not any("in the time given" in text for text in sentences(found))
    between = (best.total_cents + as_is.total_cents) / 2
    some = replace(found, as_is=replace(as_is, status=Status.FEASIBLE, bound_cents=between))
    assert any("less is all that is proven" in text for text in sentences(some))
    none = replace(found, as_is=replace(as_is, status=Status.FEASIBLE, bound_cents=0.0))
    assert any("no saving is proven" in text for text in sentences(none))

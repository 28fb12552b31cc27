"""What the answer of a choice of sites says, and that it claims no more than is proven."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from router.domain.network import Scenario
from router.domain.siting import SitingQuestion
from router.formats import read_scenario
from router.formats.siting_file import read_siting
from router.kernel.run import Silent, Status
from router.service import site_choice
from router.service.site_choice import choose_sites
from router.service.site_choice_answer import SiteChoice, sentences
from router.whatif.siting.network_choice import Case, NetworkChoice, bettered, choose_network
from router.whatif.siting.offers import Offers
from router.whatif.siting.sensitivity import Answer, TornadoBar

SCENARIOS = Path(__file__).resolve().parents[3] / "scenarios"


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Scenario, SitingQuestion]:
    scenario = read_scenario(SCENARIOS / "small", tmp_path_factory.mktemp("cache"))
    question = read_siting((SCENARIOS / "where_next" / "candidates.yaml").read_bytes(), scenario.network)
    return scenario, replace(question, swings=(), growth_steps=(), freight_steps=())


@pytest.fixture(scope="module")
def found(asked: tuple[Scenario, SitingQuestion]) -> SiteChoice:
    return choose_sites(*asked, 1, Silent(), 20.0, 0)


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


def timed_out(choice: NetworkChoice, bound_cents: float) -> NetworkChoice:
    """As it would be had the time ended its search."""
    return replace(choice, status=Status.FEASIBLE, bound_cents=bound_cents)


def test_the_choice_told_is_never_dearer_than_one_found_on_the_way(
    asked: tuple[Scenario, SitingQuestion], found: SiteChoice, monkeypatch: pytest.MonkeyPatch
) -> None:
    best, as_is = found.best, found.as_is
    low = 0.9 * best.total_cents
    poor = timed_out(replace(best, opened=(), total_cents=2 * as_is.total_cents), low)

    def choose(poor_sites: int, poor_only: bool = False) -> SiteChoice:
        def ended_early(
            offers: Offers, case: Case, most: int, only: Collection[str] | None = None, *rest: Any, **told: Any
        ) -> NetworkChoice:
            if only is None or (poor_only and only):
                return poor
            return choose_network(offers, case, most, only, *rest, **told)

        monkeypatch.setattr(site_choice, "choose_network", ended_early)
        return choose_sites(*asked, poor_sites, Silent(), 20.0, 0, heard=heard.append)

    heard: list[NetworkChoice] = []
    for sites in (1, 2):
        heard.clear()
        told = choose(sites)
        assert told.best.label() == best.label() and told.best.total_cents == pytest.approx(best.total_cents)
        assert told.best.status is Status.FEASIBLE and told.best.bound_cents == low
        assert told.saving_cents == pytest.approx(found.saving_cents) and told.saving_cents > 0
        assert heard == [poor, told.best]
        said = " ".join(sentences(told))
        assert said.startswith("Open ") and "no choice is cheaper by more than 10.00" in said and "this one" not in said
    told = choose(1, poor_only=True)
    assert told.best.label() == as_is.label() and told.saving_cents == 0
    assert all(choice.total_cents == as_is.total_cents for _, choice in told.alone)
    assert "not proven" in sentences(told)[0]
    told = choose(0)
    assert told.best.opened == () and told.best.total_cents == as_is.total_cents


def test_a_choice_that_reaches_the_bound_of_a_wider_programme_is_proven(found: SiteChoice) -> None:
    best, as_is = found.best, found.as_is
    poor = timed_out(replace(as_is, total_cents=as_is.total_cents + 1), best.total_cents * (1 - 1e-12))
    assert bettered(poor, (best, as_is), 1).status is Status.OPTIMAL
    assert bettered(poor, (best, as_is), 0).status is Status.FEASIBLE
    assert bettered(poor, (best, as_is), 1, ("NOWHERE",)).label() == as_is.label()
    assert bettered(poor, (best,), 0, (), as_is.total_cents).bound_cents == as_is.total_cents
    assert bettered(best, (replace(as_is, total_cents=0.0),), 1) is best


def test_what_turns_the_choice_is_told_with_what_is_not_proven(found: SiteChoice) -> None:
    label = found.best.label()
    same = Answer(label, 1.0, 2.0, proven=True)
    for other, proven, wanted in (
        (same, True, "No input varied alone changes the choice, within the values tried."),
        (same, False, "within the values tried; not every one of these choices is proven."),
        (replace(same, label="no new site"), True, "The choice turns with growth at 0.5: no new site."),
        (replace(same, label="no new site"), False, "no new site; not every one of these choices is proven."),
    ):
        bar = TornadoBar("growth", -0.2, 0.5, same, replace(other, proven=proven))
        assert any(text.endswith(wanted) for text in sentences(replace(found, bars=(bar,))))
    late = replace(found, alone=tuple((c, timed_out(n, 0.0)) for c, n in found.alone))
    assert any(text.endswith("a year, as far as was found.") for text in sentences(late))
    assert not any("as far as was found" in text for text in sentences(found))

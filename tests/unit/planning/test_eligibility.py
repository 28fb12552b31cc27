"""Every refusal has its reason; nothing is dropped silently."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, time, timedelta

import pytest
from toy_scenario import box_part, toy_scenario

from router.domain.network import Scenario
from router.domain.orders import OrderLine
from router.domain.sites import Credential, Step
from router.planning.eligibility import FAR_FUTURE
from router.planning.problem import Problem


def one_line(**changes: object) -> Scenario:
    """A scenario of one plain nickel line with some fields changed."""
    scenario = toy_scenario(1, 5)
    plain = replace(
        scenario.lines[0],
        alloy_id="NI",
        parameter_set_id="NI-40",
        steps=(),
        accreditations=(),
        approved_sites=(),
        as_modelled=False,
        quantity=1,
    )
    return replace(scenario, lines=(replace(plain, **changes),))  # type: ignore[arg-type]


def why(scenario: Scenario, site_id: str) -> str:
    line: OrderLine = scenario.lines[0]
    return " | ".join(Problem(scenario).eligibility.why_not(line.line_id, site_id))


def test_a_plain_line_is_possible_at_every_site_with_the_alloy() -> None:
    problem = Problem(one_line())
    assert problem.sites_for(0) == ["S1", "S2", "S3"]
    assert all(problem.eligibility.why_not("L0000", s) == () for s in ("S1", "S2", "S3"))


def test_an_alloy_no_machine_of_the_site_runs() -> None:
    scenario = one_line(alloy_id="SS", parameter_set_id="SS-40")
    assert "M2: not qualified for SS" in why(
        replace(scenario, network=replace(scenario.network, machines=scenario.network.machines[1:2])), "S1"
    )


def test_a_machine_that_never_leaves_its_alloy() -> None:
    # M5 is loaded with titanium, and titanium is never left.
    problem = Problem(one_line())
    reasons = problem.eligibility.machines["L0000", "M5"].reasons
    assert [r.code for r in reasons] == ["changeover"]
    assert "from TI to NI is never made" in reasons[0].sentence


def test_too_tall_and_too_wide_name_the_measures() -> None:
    scenario = one_line(model="tall.stl")
    parts = {**scenario.parts, "tall.stl": box_part("tall", 400.0, 300.0, 320.0)}
    text = why(replace(scenario, parts=parts), "S1")
    assert "as modelled: 320.0 mm is taller than the machine's 280 mm" in text
    flat = {**scenario.parts, "tall.stl": box_part("flat", 400.0, 300.0, 20.0)}
    text = why(replace(scenario, parts=flat), "S1")
    assert "no place was found for a footprint of 400 x 300 mm on the plate of 241 x 241 mm" in text


def test_as_modelled_lines_keep_their_orientation() -> None:
    problem = Problem(one_line(as_modelled=True))
    assert {c.orientation for m in problem.machines_for(0) for c in problem.choices(0, m)} == {"a"}


@pytest.mark.parametrize(
    ("changes", "site_id", "expected"),
    [
        ({"approved_sites": ("S3",)}, "S1", "it may be built at Eastwick only (approved by the customer, or pinned)"),
        ({"accreditations": ("EN 9100",)}, "S2", "the site does not hold accreditation EN 9100"),
        ({"export_control": "XC"}, "S1", "the site does not hold registration XC"),
    ],
)
def test_reasons_of_a_whole_site(changes: dict[str, object], site_id: str, expected: str) -> None:
    assert expected in why(one_line(**changes), site_id)


def test_what_no_site_of_the_network_has_is_said_so_with_the_nearest_word() -> None:
    misspelt = "the site does not hold accreditation EN9100 (no site of the network holds it; did you mean 'EN 9100'?)"
    assert all(misspelt in why(one_line(accreditations=("EN9100",)), s) for s in ("S1", "S2", "S3"))
    assert "(no site of the network holds it; known are EN 9100)" in why(one_line(export_control="XC"), "S1")
    assert "no site of the network" not in why(one_line(accreditations=("EN 9100",)), "S2")
    bare = one_line(steps=(Step.HIP,))
    bare = replace(bare, network=replace(bare.network, outside_services=()))
    assert "for hip (no site of the network does it or buys it)" in why(bare, "S1")
    steel = one_line(alloy_id="SS", parameter_set_id="SS-40")
    machines = tuple(replace(m, alloys=("NI",), loaded_alloy_id="NI") for m in steel.network.machines)
    unrun = replace(steel, network=replace(steel.network, machines=machines))
    assert "not qualified for SS (no machine of the network is qualified for it; known are NI)" in why(unrun, "S1")


def test_a_missing_step_is_named() -> None:
    scenario = one_line(steps=(Step.HIP,))
    bare = replace(scenario, network=replace(scenario.network, outside_services=()))
    assert "no work centre and no outside service for hip" in why(bare, "S1")


def test_credentials_that_lapse_before_the_line_is_released() -> None:
    scenario = one_line(accreditations=("ACC",))
    (site, *others), line = scenario.network.sites, scenario.lines[0]
    now = scenario.network.now

    def until(days: int) -> Problem:
        held = replace(site, credentials=(Credential("ACC", None, now.date() + timedelta(days=days)),))
        later = replace(line, release_at=now + timedelta(days=60), due_date=now.date() + timedelta(days=80))
        return Problem(replace(scenario, lines=(later,), network=replace(scenario.network, sites=(held, *others))))

    assert site.site_id in until(61).sites_for(0)
    short = until(59)
    assert site.site_id not in short.sites_for(0)
    (reason,) = short.site_verdict(0, site.site_id).reasons
    assert reason.code == "lapsed"
    assert str(now.date() + timedelta(days=59)) in reason.sentence
    assert str(now.date() + timedelta(days=60)) in reason.sentence
    assert short.eligibility.why_not(line.line_id, site.site_id) == (reason.sentence,)


def test_a_spent_accreditation_says_when_it_expired() -> None:
    scenario = one_line(accreditations=("EN 9100",))
    sites = tuple(
        replace(s, credentials=(Credential("EN 9100", None, date(2026, 1, 31)),)) for s in scenario.network.sites
    )
    text = why(replace(scenario, network=replace(scenario.network, sites=sites)), "S1")
    assert "(expired 2026-01-31)" in text


def test_an_accreditation_that_ends_limits_the_run() -> None:
    problem = Problem(one_line(accreditations=("EN 9100",)))
    ((start, before),) = problem.site_verdict(0, "S1").windows
    assert start == 0
    assert problem.staffed["S1"].local(before) == (date(2026, 4, 21), 0)


def test_a_renewed_accreditation_counts_on_both_sides_of_the_renewal() -> None:
    scenario = one_line(accreditations=("EN 9100",))
    records = (
        Credential("EN 9100", None, date(2026, 4, 1)),
        Credential("EN 9100", date(2026, 4, 2), date(2026, 6, 30)),
        Credential("EN 9100", date(2026, 8, 1), None),
    )
    sites = tuple(replace(s, credentials=records) for s in scenario.network.sites)
    problem = Problem(replace(scenario, network=replace(scenario.network, sites=sites)))
    windows = problem.site_verdict(0, "S1").windows
    assert len(windows) == 2
    assert problem.staffed["S1"].local(windows[0][1]) == (date(2026, 7, 1), 0)
    assert windows[1] == (problem.staffed["S1"].at_local(date(2026, 8, 1), time(0)), FAR_FUTURE)


def test_a_long_bar_is_tried_across_the_diagonal() -> None:
    scenario = one_line(model="bar.stl", as_modelled=True)
    parts = {**scenario.parts, "bar.stl": box_part("bar", 255.0, 20.0, 15.0)}
    problem = Problem(replace(scenario, parts=parts))
    assert problem.choices(0, 0), problem.eligibility.why_not("L0000", "S1")


def test_a_coupon_taller_than_the_machine_is_a_reason() -> None:
    scenario = one_line(coupons=2)
    machines = tuple(replace(m, height_mm=55.0) for m in scenario.network.machines)
    text = why(replace(scenario, network=replace(scenario.network, machines=machines)), "S1")
    assert "a witness coupon of 60 mm is taller than the machine's 55 mm" in text


def test_no_carrier_is_a_reason_with_figures() -> None:
    scenario = one_line(quantity=50_000)
    assert "no carrier can take the shipment" in why(scenario, "S1")

"""The network as it would be: every candidate place a site, every package a machine there, priced by the same rules."""

from __future__ import annotations

from dataclasses import dataclass, replace

from router.domain.machines import Machine
from router.domain.network import Scenario
from router.domain.sites import Credential, OutsideService, Site
from router.domain.siting import Candidate, Package, SitingQuestion
from router.kernel.money import round_cents


@dataclass(frozen=True, slots=True)
class Joined:
    """``bought``: by the id of a machine that is not there yet, where it would stand and what it is."""

    scenario: Scenario
    bought: dict[str, tuple[Candidate, Package]]


def joined(scenario: Scenario, question: SitingQuestion) -> Joined:
    """Candidates joined to the network, with the shifts, steps and services of the site each works like.

    A machine to be bought has no hourly rate: it is paid as an investment.
    """
    network = scenario.network
    sites: list[Site] = list(network.sites)
    machines: list[Machine] = list(network.machines)
    centres = list(network.work_centres)
    services: list[OutsideService] = list(network.outside_services)
    bought: dict[str, tuple[Candidate, Package]] = {}
    for candidate in question.candidates:
        like = network.site[candidate.works_like]
        sites.append(_site(candidate, like))
        centres += [
            replace(w, site_id=candidate.candidate_id) for w in network.work_centres if w.site_id == like.site_id
        ]
        services = [
            replace(o, site_ids=(*o.site_ids, candidate.candidate_id)) if like.site_id in o.site_ids else o
            for o in services
        ]
        for package in question.packages:
            machine_id = f"{candidate.candidate_id}:{package.package_id}"
            bought[machine_id] = candidate, package
            machines.append(
                replace(
                    network.machine[package.machine_like],
                    machine_id=machine_id,
                    site_id=candidate.candidate_id,
                    rate_cents_per_h=0,
                    alloys=package.alloys,
                    loaded_alloy_id=None,
                    maintenance=(),
                )
            )
    grown = replace(
        network,
        sites=tuple(sites),
        machines=tuple(machines),
        work_centres=tuple(centres),
        outside_services=tuple(services),
    )
    return Joined(replace(scenario, network=grown), bought)


def _site(candidate: Candidate, like: Site) -> Site:
    labour, energy, grid = candidate.labour_cents_per_h, candidate.energy_cents_per_kwh, candidate.grid_kg_co2e_per_kwh
    return replace(
        like,
        site_id=candidate.candidate_id,
        name=candidate.name,
        place=candidate.place,
        labour_cents_per_h=like.labour_cents_per_h if labour is None else round_cents(labour.value),
        energy_cents_per_kwh=like.energy_cents_per_kwh if energy is None else round_cents(energy.value),
        grid_kg_co2e_per_kwh=like.grid_kg_co2e_per_kwh if grid is None else grid.value,
        credentials=tuple(Credential(code) for code in candidate.credentials),
    )

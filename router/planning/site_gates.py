"""Which sites may take a line at all: route, approvals, credentials, carriers (RULES.md, section 2, points 4 to 9).

Answers are shared: everything but the carriers depends on the line's *profile* (its steps, alloy, approved sites and
codes) and the site; whether a carrier takes the whole line depends on the destination and on which carriers bear its
weight, and is kept as bits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, time, timedelta

from router.costing import route
from router.domain.network import Network, Scenario
from router.domain.nowhere import aside, code_nowhere, step_nowhere
from router.domain.orders import OrderLine
from router.domain.places import Place
from router.domain.sites import Credential, Site, Step
from router.freight import chargeable_kg, freight_desk, zone_of
from router.kernel.moments import Minute, to_minute
from router.worktime import StaffedTime

FAR_FUTURE: Minute = 1 << 40
"""Later than any moment of a plan."""
Windows = tuple[tuple[Minute, Minute], ...]
"""Stretches [from, before) in which a run may begin, in order."""
ALWAYS: Windows = ((0, FAR_FUTURE),)


@dataclass(frozen=True, slots=True)
class Reason:
    """Why not: a short code for counting and a sentence for reading."""

    code: str
    sentence: str


@dataclass(frozen=True, slots=True)
class SiteVerdict:
    """Reasons that rule a whole site out, and the window of days its credentials leave for the build."""

    reasons: tuple[Reason, ...]
    windows: Windows


class SiteGates:
    """Verdicts of every site on every line, by index. Sets of sites are bits: bit ``s`` is ``network.sites[s]``."""

    def __init__(
        self,
        scenario: Scenario,
        staffed: dict[str, StaffedTime],
        part_kg: Sequence[float],
        box_cm3: Sequence[float],
    ) -> None:
        """``part_kg`` and ``box_cm3`` of one piece of each line."""
        self._network = scenario.network
        self._staffed = staffed
        self._lines = list(scenario.lines)
        self._part_kg, self._box_cm3 = part_kg, box_cm3
        self._desk = freight_desk(scenario.network)
        profiles: dict[tuple[object, ...], int] = {}
        self._profile: list[int] = []
        self._verdicts: list[tuple[SiteVerdict, ...]] = []
        """By profile: the verdict of every site, carriers aside."""
        may_build: list[int] = []
        self._carried: list[int] = []
        self.open: list[int] = []
        """By line: the sites that may take it."""
        self._refused: dict[tuple[int, int], SiteVerdict] = {}
        bears: dict[tuple[float, float, int], int] = {}
        reaches: dict[Place, tuple[int, ...]] = {}
        carried: dict[tuple[Place, int], int] = {}
        for n, line in enumerate(self._lines):
            key = (line.steps, line.alloy_id, line.approved_sites, line.export_control, line.accreditations)
            profile = profiles.setdefault(key, len(profiles))
            if profile == len(self._verdicts):
                verdicts = tuple(self._without_carriers(line, site) for site in self._network.sites)
                self._verdicts.append(verdicts)
                may_build.append(sum(1 << s for s, verdict in enumerate(verdicts) if not verdict.reasons))
            self._profile.append(profile)
            weight = (part_kg[n], box_cm3[n], line.quantity)
            able = bears.get(weight)
            if able is None:
                able = bears[weight] = self._bearing(*weight)
            sites = carried.get((line.ship_to, able))
            if sites is None:
                reach = reaches.get(line.ship_to)
                if reach is None:
                    reach = reaches[line.ship_to] = self._reaching(line.ship_to)
                sites = carried[line.ship_to, able] = sum(1 << s for s, by in enumerate(reach) if by & able)
            self._carried.append(sites)
            self.open.append(self._still_held(line, profile, sites & may_build[profile]))

    def admit(self, line: OrderLine) -> None:
        """Judge one line more; its weights have been added to the lists given at the start."""
        n = len(self._lines)
        self._lines.append(line)
        verdicts = tuple(self._without_carriers(line, site) for site in self._network.sites)
        self._profile.append(len(self._verdicts))
        self._verdicts.append(verdicts)
        able = self._bearing(self._part_kg[n], self._box_cm3[n], line.quantity)
        sites = sum(1 << s for s, by in enumerate(self._reaching(line.ship_to)) if by & able)
        self._carried.append(sites)
        may_build = sum(1 << s for s, verdict in enumerate(verdicts) if not verdict.reasons)
        self.open.append(self._still_held(line, self._profile[n], sites & may_build))

    def verdict(self, line: int, site: int) -> SiteVerdict:
        """What a site says to a line, both by index; the carriers' sentences are made when asked for."""
        plain = self._verdicts[self._profile[line]][site]
        if self.open[line] >> site & 1:
            return plain
        carried = bool(self._carried[line] >> site & 1)
        lapsed = plain.windows not in ((), ALWAYS) and plain.windows[-1][1] <= self._released(self._lines[line])
        if carried and not lapsed:
            return plain
        key = (line, site)
        found = self._refused.get(key)
        if found is None:
            reasons = list(plain.reasons)
            if not carried:
                reasons.append(self._not_carried(line, site))
            if lapsed:
                reasons.append(self._lapsed(line, site, plain.windows[-1][1]))
            found = self._refused[key] = SiteVerdict(tuple(reasons), plain.windows)
        return found

    def _not_carried(self, line: int, site: int) -> Reason:
        wanted = self._lines[line]
        why = self._desk.refusals(
            self._network.sites[site].site_id,
            wanted.ship_to,
            self._part_kg[line],
            self._box_cm3[line],
            wanted.quantity,
        )
        return Reason("carrier", "no carrier can take the shipment: " + "; ".join(why))

    def _lapsed(self, line: int, site: int, before: Minute) -> Reason:
        wanted = self._lines[line]
        codes = [c for c in (wanted.export_control, *wanted.accreditations) if c]
        staffed = self._staffed[self._network.sites[site].site_id]
        last = staffed.local(before - 1)[0]
        return Reason(
            "lapsed",
            f"{' and '.join(codes)} {'is' if len(codes) == 1 else 'are together'} held until {last} and the line is"
            f" released on {staffed.local(self._released(wanted))[0]}",
        )

    def _released(self, line: OrderLine) -> Minute:
        return max(to_minute(self._network.now), to_minute(line.release_at))

    def _still_held(self, line: OrderLine, profile: int, sites: int) -> int:
        """Of some sites those whose credentials for the line do not all end before it is released."""
        if line.export_control is None and not line.accreditations:
            return sites
        released = self._released(line)
        verdicts = self._verdicts[profile]
        # A build loads its lines no sooner than they are released, and runs after that.
        return sum(1 << s for s, v in enumerate(verdicts) if sites >> s & 1 and v.windows[-1][1] > released)

    def _bearing(self, part_kg: float, box_cm3: float, pieces: int) -> int:
        """Bits of the carriers whose greatest chargeable weight the consignment keeps."""
        network = self._network
        return sum(
            1 << n
            for n, carrier in enumerate(network.carriers)
            if chargeable_kg(network, carrier, part_kg, box_cm3, pieces) <= carrier.max_chargeable_kg
        )

    def _reaching(self, place: Place) -> tuple[int, ...]:
        """For every site the bits of the carriers with a zone as far as the place."""
        bits = []
        for site in self._network.sites:
            lane = self._desk.lane(site.site_id, place)
            bits.append(
                sum(
                    1 << n
                    for n, carrier in enumerate(self._network.carriers)
                    if zone_of(carrier, lane.distance_km(carrier.by_air)) is not None
                )
            )
        return tuple(bits)

    def _named(self, site_ids: Sequence[str]) -> str:
        """Sites by their names, as people call them; one that is not there any more by its id."""
        known = self._network.site
        return ", ".join(known[s].name if s in known else s for s in site_ids)

    def _without_carriers(self, line: OrderLine, site: Site) -> SiteVerdict:
        network = self._network
        reasons: list[Reason] = []
        for step in route(line, network.alloy[line.alloy_id]):
            if (site.site_id, step) not in network.work_centre and not _services(network, site, step, line):
                said = f"no work centre and no outside service for {step.replace('_', ' ')}"
                reasons.append(Reason("step", said + aside(step_nowhere(network, step))))
        if line.approved_sites and site.site_id not in line.approved_sites:
            reasons.append(
                Reason(
                    "approved",
                    f"it may be built at {self._named(line.approved_sites)} only (approved by the customer, or pinned)",
                )
            )
        codes = [(line.export_control, "registration")] if line.export_control else []
        codes += [(code, "accreditation") for code in line.accreditations]
        staffed = self._staffed[site.site_id]
        first_day = staffed.local(to_minute(network.now))[0]
        windows = ALWAYS
        for code, kind in codes:
            held_when = _held(site.credentials, code, first_day, staffed)
            if not held_when:
                held = [c for c in site.credentials if c.code == code]
                lapsed = f" (expired {max(c.valid_until for c in held if c.valid_until)})" if held else ""
                said = f"the site does not hold {kind} {code}{lapsed}"
                reasons.append(Reason(kind, said + aside(code_nowhere(network, code))))
                continue
            windows = common(windows, held_when)
            if not windows:
                reasons.append(Reason(kind, f"{kind} {code} is never held together with the others the line needs"))
        return SiteVerdict(tuple(reasons), windows)


def _services(network: Network, site: Site, step: Step, line: OrderLine) -> bool:
    services = network.outside(site.site_id, step)
    code = line.export_control
    if code is None:
        return bool(services)
    today = network.now.date()
    # Whether it is still held on the day of collection is looked at when the moment is known.
    return any(
        c.code == code and (c.valid_until is None or c.valid_until >= today) for s in services for c in s.credentials
    )


def _held(credentials: tuple[Credential, ...], code: str, first_day: date, staffed: StaffedTime) -> Windows:
    """When a code is held from a day on, records that follow one another united."""
    spans = []
    for credential in credentials:
        if credential.code != code or (credential.valid_until is not None and credential.valid_until < first_day):
            continue
        start = 0 if credential.valid_from is None else staffed.at_local(credential.valid_from, time(0))
        until = credential.valid_until
        spans.append((start, FAR_FUTURE if until is None else staffed.at_local(until + timedelta(days=1), time(0))))
    united: list[tuple[Minute, Minute]] = []
    for start, before in sorted(spans):
        if united and start <= united[-1][1]:
            united[-1] = (united[-1][0], max(united[-1][1], before))
        else:
            united.append((start, before))
    return tuple(united)


def common(some: Windows, others: Windows) -> Windows:
    """Stretches that lie in both."""
    both = ((max(a, c), min(b, d)) for a, b in some for c, d in others)
    return tuple(sorted((start, before) for start, before in both if start < before))

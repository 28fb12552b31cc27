"""One replication of one scenario: a stream, a life, its figures. What sweeps run by the hundred."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta

from router.domain.network import Network, Scenario
from router.domain.sites import Credential
from router.kernel.moments import to_minute
from router.kernel.seeds import child_seed
from router.whatif.rolling.figures import Figures, figures_of
from router.whatif.rolling.life import Habits, live
from router.whatif.rolling.streams import DemandFactor, draw_stream, history_of

_DAYS_A_MONTH = 365.25 / 12
NEAR_KM = 500.0
"""Road distance that counts as near unless somebody says otherwise (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """What is simulated: a warm-up that is not counted, the months that are, and the weeks their orders need to end."""

    months: float = 12.0
    warm_up_days: int = 28
    run_out_days: int = 21
    near_km: float = NEAR_KM
    """Road distance within which a line counts as built near its customer."""

    @property
    def counted_days(self) -> int:
        """Calendar days of which orders are counted."""
        return round(self.months * _DAYS_A_MONTH)

    @property
    def counted_months(self) -> float:
        """The same in months: not quite what was asked for, days being whole."""
        return self.counted_days / _DAYS_A_MONTH

    @property
    def days(self) -> int:
        """All planning days."""
        return self.warm_up_days + self.counted_days + self.run_out_days

    @property
    def lived_months(self) -> float:
        """The same in months."""
        return self.days / _DAYS_A_MONTH


def replicate(
    history: Scenario,
    network: Network,
    seed: int,
    stretch: Stretch | None = None,
    demand: DemandFactor | None = None,
    habits: Habits | None = None,
) -> Figures:
    """Figures of one life of ``network`` under the stream that a seed draws from ``history``'s book.

    Equal seeds give the same candidates of orders in every scenario. Credentials that hold at
    the start are taken to be renewed. Planned stops end with the network's own list.
    """
    stretch = stretch or Stretch()
    lines = draw_stream(history_of(history), network.now, stretch.days, child_seed(seed, "stream"), demand)
    scenario = Scenario(renewed(network), lines, history.parts, history.fingerprint)
    life = live(scenario, stretch.days, child_seed(seed, "planner"), habits)
    first = to_minute(network.now + timedelta(days=stretch.warm_up_days))
    last = to_minute(network.now + timedelta(days=stretch.warm_up_days + stretch.counted_days))
    return figures_of(life, first, last, stretch.near_km)


def renewed(network: Network) -> Network:
    """The network with every credential that holds now, or will, holding on."""

    def on(credentials: tuple[Credential, ...]) -> tuple[Credential, ...]:
        today = network.now.date()
        return tuple(
            replace(c, valid_until=None) if c.valid_until is None or c.valid_until >= today else c for c in credentials
        )

    return replace(
        network,
        sites=tuple(replace(s, credentials=on(s.credentials)) for s in network.sites),
        outside_services=tuple(replace(o, credentials=on(o.credentials)) for o in network.outside_services),
    )

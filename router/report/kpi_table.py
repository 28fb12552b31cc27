"""Key figures of the plan beside today's habit: values, differences in sign and word, a pair of bars each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from router.domain.result import Kpis
from router.report.svg import px
from router.report.wording import NONE, number, percent, signed

BAR_PX = 260.0
_OCCUPANCY = "Plates and machines"


@dataclass(frozen=True, slots=True)
class KpiRow:
    """One figure: what it is, both values, the difference, what the difference means, the bars."""

    name: str
    plan: str
    habit: str
    difference: str
    relative: str
    word: str
    """``better``, ``worse``, ``same``, or ``lower``/``higher`` where neither is good in itself."""
    bars: str
    strong: bool


@dataclass(frozen=True, slots=True)
class KpiGroup:
    """Rows that belong together."""

    name: str
    rows: tuple[KpiRow, ...]


Figure = Callable[[Kpis], float]


@dataclass(frozen=True, slots=True)
class _Spec:
    name: str
    value: Figure
    decimals: int = 0
    good: int = -1
    """-1: less is better, 1: more is better, 0: neither."""
    share: bool = False
    strong: bool = False


def _specs(currency: str) -> tuple[tuple[str, tuple[_Spec, ...]], ...]:
    money: tuple[tuple[str, Figure], ...] = (
        ("Builds", lambda k: k.build_cents / 100),
        ("Changeovers", lambda k: k.changeover_cents / 100),
        ("Steps after the build", lambda k: k.after_build_cents / 100),
        ("Freight", lambda k: k.freight_cents / 100),
        ("Carbon price", lambda k: k.carbon_cents / 100),
        ("Lateness", lambda k: k.lateness_cents / 100),
    )
    return (
        (
            f"Cost, {currency}",
            (
                _Spec("Landed cost", lambda k: k.landed_cents / 100, strong=True),
                *(_Spec(name, value) for name, value in money),
            ),
        ),
        (
            "Delivery",
            (
                _Spec("Lines planned", lambda k: k.lines_planned, good=1),
                _Spec("Lines not planned", lambda k: k.lines_unplanned),
                _Spec("Late lines", lambda k: k.late_lines),
                _Spec("Late days, all lines", lambda k: k.late_days),
                _Spec("Lines on time", lambda k: k.on_time_share, 1, good=1, share=True, strong=True),
                _Spec("Release to arrival, mean days", lambda k: k.mean_lead_days, 1),
            ),
        ),
        (
            _OCCUPANCY,
            (
                _Spec("Builds", lambda k: k.builds, good=0),
                _Spec("Mean plate fill", lambda k: k.mean_fill, 1, good=1, share=True),
                _Spec("Machine hours", lambda k: k.machine_h),
                _Spec("Changeover hours", lambda k: k.changeover_h),
            ),
        ),
        (
            "Transport and carbon",
            (
                _Spec("Kilometres of shipments", lambda k: k.shipment_km),
                _Spec("Tonne-kilometres", lambda k: k.tonne_km, 1),
                _Spec("CO\u2082e, kg", lambda k: k.co2e_kg),
                _Spec("Lines built at the nearest able site", lambda k: k.nearest_site_share, 1, good=0, share=True),
            ),
        ),
    )


def kpi_groups(plan: Kpis, habit: Kpis, currency: str) -> tuple[KpiGroup, ...]:
    """All rows, grouped, in the order in which a planner asks."""
    return tuple(
        KpiGroup(name, tuple(_row(spec, spec.value(plan), spec.value(habit)) for spec in specs))
        for name, specs in _specs(currency)
    )


def occupancy_groups(plan: Kpis, habit: Kpis, currency: str) -> tuple[KpiGroup, ...]:
    """Of these what plates and machines are busy with, which tells of no line."""
    return tuple(g for g in kpi_groups(plan, habit, currency) if g.name == _OCCUPANCY)


def _row(spec: _Spec, plan: float, habit: float) -> KpiRow:
    # The difference of the figures as they are shown, so that the row adds up for whoever takes it by hand.
    unit = 100.0 if spec.share else 1.0
    step = round(unit * plan, spec.decimals) - round(unit * habit, spec.decimals)
    same = round(step, spec.decimals) == 0
    if spec.share:
        shown = [percent(plan, spec.decimals), percent(habit, spec.decimals)]
        difference, relative = signed(step, spec.decimals) + " points", NONE
    else:
        shown = [number(plan, spec.decimals), number(habit, spec.decimals)]
        difference = signed(step, spec.decimals)
        relative = signed(100 * (plan - habit) / habit, 1) + "\u00a0%" if habit and not same else NONE
    return KpiRow(
        spec.name, shown[0], shown[1], difference, relative, difference_word(step, spec.good, same),
        paired_bars(plan, habit, 1.0 if spec.share else max(plan, habit)), spec.strong,
    )  # fmt: skip


def difference_word(step: float, good: int, same: bool) -> str:
    """What the difference means, in a word."""
    if same:
        return "same"
    if good == 0:
        return "lower" if step < 0 else "higher"
    return "better" if (step > 0) == (good > 0) else "worse"


def paired_bars(plan: float, habit: float, full: float) -> str:
    """Two bars on one scale, the plan's full above, habit's open below. The figures beside it say the same."""
    widths = [BAR_PX * max(0.0, value) / full if full > 0 else 0.0 for value in (plan, habit)]
    return (
        f'<svg class="pair" viewBox="0 0 {px(BAR_PX + 1)} 15" width="{px(BAR_PX + 1)}" height="15" aria-hidden="true">'
        f'<rect class="planbar" x=".5" y="1" width="{px(widths[0])}" height="6"/>'
        f'<rect class="habitbar" x=".5" y="9" width="{px(widths[1])}" height="5"/></svg>'
    )

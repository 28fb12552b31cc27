"""The schedule of one site: a lane for each machine, builds in the colour and hatch of their alloy, local days."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from router.report.scales import TimeScale, local_midnights
from router.report.staffed import Span
from router.report.svg import clip_text, esc, frame, px
from router.report.wording import day

NAMES_PX = 118.0
_AXIS_PX, _LANE_PX, _BAR_PX, _FOOT_PX = 30.0, 38.0, 27.0, 3.0
_CHAR_PX, _BOLD_PX = 5.9, 6.6


@dataclass(frozen=True, slots=True)
class Bar:
    """One build on its machine. ``key`` and ``hatch`` stand for the alloy, ``anchor`` for the picture of its plate."""

    label: str
    alloy: str
    key: int
    hatch: int
    anchor: str
    title: str
    changeover: Span | None
    changeover_title: str
    load_start: datetime
    run_start: datetime
    run_end: datetime
    unload_start: datetime
    unload_end: datetime
    late: bool


@dataclass(frozen=True, slots=True)
class DueMark:
    """The end of a due date of lines built on the machine."""

    at: datetime
    late: bool
    title: str


@dataclass(frozen=True, slots=True)
class Lane:
    """One machine over time. ``stops`` are spans in which it is not to be had, with the reason."""

    machine: str
    model: str
    bars: tuple[Bar, ...]
    stops: tuple[tuple[Span, str], ...]
    dues: tuple[DueMark, ...]


@dataclass(frozen=True, slots=True)
class SiteSchedule:
    """What the chart of one site shows, on the time scale common to all sites."""

    name: str
    zone: ZoneInfo
    lanes: tuple[Lane, ...]
    unstaffed: tuple[Span, ...]
    now: datetime


def names_chart(element: str, schedule: SiteSchedule) -> str:
    """The machines' names, as high as the chart itself, to stay in view while the chart is moved sideways."""
    rows = "".join(
        f'<g transform="translate(0 {px(_AXIS_PX + i * _LANE_PX)})"><path class="lane" d="M0 0H{px(NAMES_PX)}"/>'
        f'<text class="mach" x="0" y="16">{esc(clip_text(lane.machine, NAMES_PX - 4, 7.0))}</text>'
        f'<text class="note" x="0" y="28">{esc(clip_text(lane.model, NAMES_PX - 4, _CHAR_PX))}</text></g>'
        for i, lane in enumerate(schedule.lanes)
    )
    return frame(element, NAMES_PX, _height(schedule), f"Machines of {schedule.name}", "One lane each.", rows)


def schedule_chart(element: str, schedule: SiteSchedule, scale: TimeScale) -> str:
    """The lanes as SVG text; builds are links to the pictures of their plates."""
    height = _height(schedule)
    floor = height - _FOOT_PX
    body = [
        _shading(schedule.unstaffed, scale, floor),
        _days(schedule.zone, scale, floor),
        *(
            f'<g transform="translate(0 {px(_AXIS_PX + i * _LANE_PX)})">{_lane(lane, scale)}</g>'
            for i, lane in enumerate(schedule.lanes)
        ),
        _now(schedule.now, scale, floor),
    ]
    builds = sum(len(lane.bars) for lane in schedule.lanes)
    described = (
        f"{builds} builds on {len(schedule.lanes)} machines from {day(scale.start.astimezone(schedule.zone).date())} "
        f"to {day(scale.end.astimezone(schedule.zone).date())}, local dates. Each build is a link to its plate."
    )
    return frame(
        element, scale.width_px, height, f"Schedule of {schedule.name}", described, "".join(body), role="group"
    )


def _height(schedule: SiteSchedule) -> float:
    return _AXIS_PX + len(schedule.lanes) * _LANE_PX + _FOOT_PX


def _shading(spans: Sequence[Span], scale: TimeScale, floor: float) -> str:
    path = ""
    for begin, end in spans:
        left, right = scale.at(begin), scale.at(end)
        if right > left:
            path += f"M{px(left)} {px(_AXIS_PX)}H{px(right)}V{px(floor)}H{px(left)}z"
    return f'<path class="night" d="{path}"/>'


def _days(zone: ZoneInfo, scale: TimeScale, floor: float) -> str:
    """A tick at every local midnight, Mondays longer and with their full date."""
    plain, weekly, labels = "", "", []
    wide = scale.day_px >= 40
    for date_, moment in local_midnights(scale.start, scale.end, zone):
        x = scale.at(moment)
        if date_.weekday() == 0:
            weekly += f"M{px(x)} 4V{px(floor)}"
            if scale.width_px - x > 74:
                labels.append(f'<text class="week" x="{px(x + 3)}" y="12">{day(date_)}</text>')
        else:
            plain += f"M{px(x)} {px(_AXIS_PX - 12)}V{px(floor)}"
        if scale.width_px - x > (40 if wide else 20):
            text = f"{day(date_)[:3]} {date_.day}" if wide and date_.weekday() else f"{date_.day}"
            labels.append(f'<text class="day" x="{px(x + 3)}" y="{px(_AXIS_PX - 4)}">{text}</text>')
    return f'<path class="dayline" d="{plain}"/><path class="weekline" d="{weekly}"/>{"".join(labels)}'


def _now(now: datetime, scale: TimeScale, floor: float) -> str:
    x = scale.at(now)
    return (
        f'<path class="now" d="M{px(x)} 6V{px(floor)}"/><path class="nowhead" d="M{px(x - 4.5)} '
        f'1h9l-4.5 7z"><title>now: the moment the plan was made</title></path>'
    )


def _lane(lane: Lane, scale: TimeScale) -> str:
    text = [f'<path class="lane" d="M0 0H{px(scale.width_px)}"/>']
    for (begin, end), why in lane.stops:
        left, right = scale.at(begin), scale.at(end)
        if right > left:
            text.append(
                f'<rect class="stop" x="{px(left)}" y="4" width="{px(right - left)}" height="{px(_BAR_PX)}">'
                f"<title>{esc(why)}</title></rect>"
            )
    text += [_bar(bar, scale) for bar in lane.bars]
    text += [_due(mark, scale) for mark in lane.dues if scale.start < mark.at <= scale.end]
    return "".join(text)


def _bar(bar: Bar, scale: TimeScale) -> str:
    load, start, end = scale.at(bar.load_start), scale.at(bar.run_start), scale.at(bar.run_end)
    unload, out = scale.at(bar.unload_start), scale.at(bar.unload_end)
    text = []
    if bar.changeover:
        left, right = scale.at(bar.changeover[0]), scale.at(bar.changeover[1])
        text.append(
            f'<rect class="change" x="{px(left)}" y="4" width="{px(max(1, right - left))}" height="{px(_BAR_PX)}">'
            f"<title>{esc(bar.changeover_title)}</title></rect>"
        )
    if unload > end:
        text.append(
            f'<rect class="wait" x="{px(end)}" y="9" width="{px(unload - end)}" height="{px(_BAR_PX - 10)}">'
            f"<title>{esc(bar.label)}: finished, waits to be unloaded</title></rect>"
        )
    width = end - start
    upper = bar.label if len(bar.label) * _BOLD_PX <= width - 5 else ""
    lower = clip_text(bar.alloy, width - 5, _CHAR_PX)
    hatch = f'<rect x="{px(start)}" y="4" width="{px(width)}" height="{px(_BAR_PX)}" fill="url(#hatch-{bar.hatch})"/>'
    words = f'<text class="id" x="{px(start + 4)}" y="15">{esc(upper)}</text>' if upper else ""
    if lower:
        words += f'<text x="{px(start + 4)}" y="{27 if upper else 21}">{esc(lower)}</text>'
    corner = f'<path class="latecorner" d="M{px(end)} 4h-9l9 9z"/>' if bar.late else ""
    text.append(
        f'<a href="#{esc(bar.anchor)}" class="bar k{bar.key}"><title>{esc(bar.title)}</title>'
        f'<rect x="{px(start)}" y="4" width="{px(width)}" height="{px(_BAR_PX)}"/>{hatch if bar.hatch else ""}'
        f'<path class="hands s{bar.key}" d="M{px(load)} 4H{px(start)}v{px(_BAR_PX)}H{px(load)}zM{px(unload)} '
        f'4H{px(out)}v{px(_BAR_PX)}H{px(unload)}z"/>{words}{corner}</a>'
    )
    return "".join(text)


def _due(mark: DueMark, scale: TimeScale) -> str:
    x, y = scale.at(mark.at), _LANE_PX - 0.5
    shown = "due late" if mark.late else "due"
    return f'<path class="{shown}" d="M{px(x)} {px(y - 4.5)}l3.6 4.5h-7.2z"><title>{esc(mark.title)}</title></path>'

"""Lines and totals as printed."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

Entry = dict[str, Any]


def line(entry: Entry) -> str:
    """One case: ours, seconds, best known, ratio, the others."""
    others = "  ".join(
        f"{name} {shown(entry, base['value'])} ({base['seconds']:.1f} s)" for name, base in entry["baselines"].items()
    )
    ratio = "" if entry["value"] is None or not entry["best_known"] else f"{entry['value'] / entry['best_known']:.4f}"
    seconds = "" if entry["seconds"] is None else f"{entry['seconds']:6.2f} s"
    return (
        f"{entry['name']:<28} {entry['goal']:<7} ours {shown(entry, entry['value']):>7} {seconds}  best known "
        f"{shown(entry, entry['best_known']):>7}  ratio {ratio:>6}  {entry['status']:<9} | {others}"
    )


def shown(entry: Entry, value: float | None) -> str:
    """A value in its unit."""
    if value is None:
        return "-"
    return str(value) if entry["goal"] == "bins" else f"{100 * value:.2f}%"


def tables(entries: Sequence[Entry]) -> Iterable[str]:
    """Totals by family: sums of bins or mean density, each engine over the cases both it and we answered."""
    families: dict[tuple[str, str], list[Entry]] = defaultdict(list)
    for entry in entries:
        families[entry["goal"], entry["family"]].append(entry)
    for goal in ("bins", "density"):
        chosen = [(f, es) for (g, f), es in families.items() if g == goal]
        if not chosen:
            continue
        yield f"\n{'total bins' if goal == 'bins' else 'mean density'} by family"
        for family, group in chosen:
            yield _total(family, group)
        if len(chosen) > 1:
            yield _total("ALL", [e for _, group in chosen for e in group])


def _total(title: str, group: Sequence[Entry]) -> str:
    answered = [e for e in group if e["value"] is not None]
    known = [e for e in answered if e["best_known"] is not None]
    text = f"{title:<48} {len(answered):>3}/{len(group):<3} ours {_sum(answered, lambda e: e['value'])}"
    if known:
        ratio = sum(e["value"] for e in known) / sum(e["best_known"] for e in known)
        text += f"  best known {_sum(known, lambda e: e['best_known'])} (ratio {ratio:.4f} over {len(known)})"
    for engine in sorted({n for e in group for n in e["baselines"]}):
        both = [e for e in answered if (e["baselines"].get(engine) or {}).get("value") is not None]
        asked = [e for e in group if engine in e["baselines"]]
        if both:
            theirs = _sum(both, lambda e, n=engine: e["baselines"][n]["value"])
            text += f"  | {engine} {theirs} to ours {_sum(both, lambda e: e['value'])} ({len(both)}/{len(asked)})"
        else:
            text += f"  | {engine} no answer ({len(asked)} asked)"
    best = _best_configuration(answered)
    return text + (f"  | {best}" if best else "")


def _sum(group: Sequence[Entry], of: Any) -> str:
    if not group:
        return "-"
    total = sum(of(e) for e in group)
    return str(total) if group[0]["goal"] == "bins" else f"{100 * total / len(group):.2f}%"


def _best_configuration(group: Sequence[Entry]) -> str:
    """The rectpack configuration with the fewest bins in total, among those that answered every case."""
    lists = [e["baselines"]["rectpack"]["configurations"] for e in group if "rectpack" in e["baselines"]]
    if not lists or group[0]["goal"] != "bins":
        return ""
    common = set(lists[0]).intersection(*lists[1:])
    if not common:
        return ""
    best = min(common, key=lambda name: (sum(values[name] for values in lists), name))
    return f"best single rectpack configuration {best}: {sum(values[best] for values in lists):g}"

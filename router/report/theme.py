"""Colours of the report: a published palette, tints of it by rule, hatches so that nothing is told by colour alone.

Palette: M. Okabe and K. Ito, "Color Universal Design", 2008: eight colours told apart with the common kinds of colour
blindness. Text on a colour follows the contrast formula of WCAG 2.1 (relative luminance).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

BLUE = "#0072B2"
SKY = "#56B4E9"
GREEN = "#009E73"
ORANGE = "#E69F00"
VERMILION = "#D55E00"
PURPLE = "#CC79A7"
YELLOW = "#F0E442"
BLACK = "#000000"

KEYED: tuple[str, ...] = (BLUE, ORANGE, GREEN, PURPLE, SKY, VERMILION, YELLOW, BLACK)
"""Order in which keys take colours: neighbours differ in lightness, so that a grey print still tells them apart."""

PAPER_LIGHT, PAPER_DARK = "#FCFBF8", "#15181B"
INK_LIGHT, INK_DARK = "#1B1F23", "#E8E6E1"

HATCHES = 6
"""Hatches of the page's definitions, ``hatch-0`` (none) to ``hatch-5``."""

_TINT_LIGHT, _TINT_DARK = 0.42, 0.45


def rgb(colour: str) -> tuple[int, int, int]:
    """Red, green and blue, 0 to 255, of ``#RRGGBB``."""
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def mix(colour: str, paper: str, share: float) -> str:
    """A tint: ``share`` of the colour, the rest paper, each channel by itself."""
    mixed = (round(a * share + b * (1 - share)) for a, b in zip(rgb(colour), rgb(paper), strict=True))
    return "#" + "".join(f"{channel:02X}" for channel in mixed)


def luminance(colour: str) -> float:
    """Relative luminance, 0 to 1 (WCAG 2.1, definition of relative luminance)."""
    linear = [
        c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in (channel / 255 for channel in rgb(colour))
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio, 1 to 21 (WCAG 2.1, definition of contrast ratio)."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@dataclass(frozen=True, slots=True)
class Tone:
    """How one key is drawn: strong colour and tint on light and on dark paper, and a hatch."""

    strong_light: str
    tint_light: str
    strong_dark: str
    tint_dark: str
    hatch: int


def tone(index: int) -> Tone:
    """The tone of the key with this number; after eight colours the same ones come again with another hatch."""
    base = KEYED[index % len(KEYED)]
    on_dark = "#9AA0A6" if base == BLACK else base
    return Tone(
        strong_light=mix(base, BLACK, 0.8) if contrast(base, PAPER_LIGHT) < 2.0 else base,
        tint_light=mix(base, PAPER_LIGHT, _TINT_LIGHT if base != BLACK else 0.25),
        strong_dark=on_dark,
        tint_dark=mix(on_dark, PAPER_DARK, _TINT_DARK),
        hatch=(index % len(KEYED) + index // len(KEYED)) % HATCHES,
    )


def numbered(keys: Iterable[str]) -> dict[str, int]:
    """Number of every key in the order of the sorted keys: the same data give the same colours everywhere."""
    return {key: number for number, key in enumerate(sorted(set(keys)))}


def told_apart(groups: Sequence[Sequence[str]], colours: int) -> Mapping[str, int]:
    """Numbers for keys such that keys of one group differ where ``colours`` numbers suffice.

    Greedy colouring of the graph whose edges join keys of one group, keys with most neighbours first, ties by key;
    among the numbers not taken by neighbours the least used one. Keeps one number a key over all groups.
    """
    neighbours: dict[str, set[str]] = {}
    for group in groups:
        for key in group:
            neighbours.setdefault(key, set()).update(k for k in group if k != key)
    used = [0] * colours
    chosen: dict[str, int] = {}
    for key in sorted(neighbours, key=lambda k: (-len(neighbours[k]), k)):
        near = [chosen[k] for k in neighbours[key] if k in chosen]
        chosen[key] = min(range(colours), key=lambda c: (near.count(c), used[c], c))
        used[chosen[key]] += 1
    return chosen


def stylesheet(tones: int) -> str:
    """Custom properties and classes of the first ``tones`` keys, light and dark; ``k3`` fills with the tint of key 3.

    Words of warning and of approval are the palette's vermilion and green, darkened or lightened until they read
    well on their paper (contrast of 4.5 or more).
    """
    light = [f"--paper:{PAPER_LIGHT};--ink:{INK_LIGHT};--accent:{BLUE};--bad:{mix(VERMILION, BLACK, 0.8)}"]
    light.append(f"--good:{mix(GREEN, BLACK, 0.74)}")
    dark = [f"--paper:{PAPER_DARK};--ink:{INK_DARK};--accent:{SKY};--bad:{mix(VERMILION, '#FFFFFF', 0.7)}"]
    dark.append(f"--good:{mix(GREEN, '#FFFFFF', 0.7)}")
    for index in range(tones):
        made = tone(index)
        light.append(f"--s{index}:{made.strong_light};--t{index}:{made.tint_light}")
        dark.append(f"--s{index}:{made.strong_dark};--t{index}:{made.tint_dark}")
    return (
        f":root{{{';'.join(light)}}}\n"
        f"@media screen and (prefers-color-scheme:dark){{:root{{{';'.join(dark)}}}}}\n"
        + "".join(
            f".k{i}{{--tint:var(--t{i});--own:var(--s{i});fill:var(--t{i});stroke:var(--s{i})}}.s{i}{{--own:var(--s{i})}}"
            for i in range(tones)
        )
    )

"""The palette of the report as custom properties, for light and dark paper, whichever the reader chose."""

from __future__ import annotations

from router.report.theme import (
    BLUE,
    GREEN,
    INK_DARK,
    INK_LIGHT,
    KEYED,
    ORANGE,
    PAPER_DARK,
    PAPER_LIGHT,
    SKY,
    VERMILION,
    mix,
    tone,
)  # fmt: skip

TONES = 3 * len(KEYED)
"""Number of keys that have classes (``k0`` ...). More alloys or sites than this take the first ones again."""

_WHITE, _BLACK = "#FFFFFF", "#000000"


def tone_styles() -> str:
    """Style sheet of papers, inks, warning colours and key tones.

    ``data-look`` on the root element is ``light``, ``dark`` or ``system``; print is always light.
    """
    light = [
        f"--paper:{PAPER_LIGHT}", f"--ink:{INK_LIGHT}", f"--accent:{mix(BLUE, _BLACK, 0.92)}",
        f"--bad:{mix(VERMILION, _BLACK, 0.78)}", f"--good:{mix(GREEN, _BLACK, 0.7)}",
        f"--warn:{mix(ORANGE, _BLACK, 0.56)}",
        "--panel:#FFFFFF", "--soft:#555D66", "--line:#D9D5CB", "--faint:#ECE9E1", "--edge:#8B8F8C", "--wash:#F4F2EC",
        "--night:rgba(27,31,35,.055)", "--sea:#F1F3F1", "--land:#E5E1D7", "--border:#FFFFFF", "--bed:#F1EFE9",
        "--hatch:rgba(27,31,35,.26)", "--shade:rgba(27,31,35,.10)",
    ]  # fmt: skip
    dark = [
        f"--paper:{PAPER_DARK}", f"--ink:{INK_DARK}", f"--accent:{mix(SKY, _WHITE, 0.85)}",
        f"--bad:{mix(VERMILION, _WHITE, 0.6)}", f"--good:{mix(GREEN, _WHITE, 0.62)}",
        f"--warn:{mix(ORANGE, _WHITE, 0.8)}",
        "--panel:#1C2024", "--soft:#A9AFB5", "--line:#3A4047", "--faint:#262B30", "--edge:#7D848B", "--wash:#1A1E22",
        "--night:rgba(255,255,255,.055)", "--sea:#191D21", "--land:#2B3036", "--border:#191D21", "--bed:#22272C",
        "--hatch:rgba(255,255,255,.24)", "--shade:rgba(0,0,0,.4)",
    ]  # fmt: skip
    for index in range(TONES):
        made = tone(index)
        light.append(f"--s{index}:{made.strong_light};--t{index}:{made.tint_light}")
        dark.append(f"--s{index}:{made.strong_dark};--t{index}:{made.tint_dark}")
    day, night = ";".join(light), ";".join(dark)
    keys = "".join(
        f".k{i}{{--tint:var(--t{i});--own:var(--s{i});fill:var(--t{i});stroke:var(--s{i})}}.s{i}{{--own:var(--s{i})}}\n"
        for i in range(TONES)
    )
    return (
        f":root{{color-scheme:light;{day}}}\n"
        f"@media screen{{:root[data-look=dark]{{color-scheme:dark;{night}}}}}\n"
        "@media screen and (prefers-color-scheme:dark)"
        f"{{:root[data-look=system]{{color-scheme:dark;{night}}}}}\n{keys}"
    )

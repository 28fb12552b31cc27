"""The chart of one input at a time: bars from the cost of the choice, words beside them, nothing unescaped."""

from __future__ import annotations

import xml.etree.ElementTree as ET

from router.report.tornado_chart import TornadoEnd, TornadoRow, tornado_chart

SVG = "{http://www.w3.org/2000/svg}"


def drawn(*rows: TornadoRow, best_cents: int = 100_000_00) -> ET.Element:
    text = tornado_chart("t", rows, best_cents, "USD")
    return ET.fromstring(text.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))


def test_bars_reach_from_the_choice_to_their_cost() -> None:
    row = TornadoRow("Growth", TornadoEnd("-20 %", 80_000_00, False), TornadoEnd("+50 %", 160_000_00, True))
    chart = drawn(row)
    low, high = chart.findall(f"{SVG}rect")
    (middle,) = [p for p in chart.findall(f"{SVG}path") if p.get("class") == "habitline"]
    at = float(middle.attrib["d"].removeprefix("M").split(" ")[0])
    assert abs(float(low.attrib["x"]) + float(low.attrib["width"]) - at) < 0.2
    assert abs(float(high.attrib["x"]) - at) < 0.2
    # 60 thousand more is three times as long as 20 thousand less.
    assert abs(float(high.attrib["width"]) - 3 * float(low.attrib["width"])) < 0.5
    assert len([p for p in chart.findall(f"{SVG}path") if p.get("class") == "turn"]) == 1


def test_names_are_escaped_and_bars_of_no_length_are_seen() -> None:
    row = TornadoRow("<b>", TornadoEnd("&", 100_000_00, False), TornadoEnd("x", 100_000_00, False))
    chart = drawn(row, row)
    assert "<b>" in [t.text for t in chart.iter(f"{SVG}text")]
    assert all(float(r.attrib["width"]) > 0 for r in chart.findall(f"{SVG}rect"))


def test_everything_lies_within_the_drawing() -> None:
    rows = [
        TornadoRow(f"Input {n}", TornadoEnd("x 0.5", 90_000_00 + n, True), TornadoEnd("x 2", 9_000_000_00 * n, True))
        for n in range(9)
    ]
    chart = drawn(*rows)
    width, height = (float(x) for x in chart.attrib["viewBox"].split()[2:])
    for rect in chart.findall(f"{SVG}rect"):
        assert 0 <= float(rect.attrib["x"]) <= float(rect.attrib["x"]) + float(rect.attrib["width"]) <= width
        assert float(rect.attrib["y"]) < height

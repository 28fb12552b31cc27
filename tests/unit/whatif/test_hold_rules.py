"""Rules of holding: promises are kept, the cheapest is told, and noise is called noise."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from router.domain.network import Scenario
from router.formats.scenario_folder import read_scenario
from router.kernel.faults import FaultyInput
from router.service.hold_folder import tune_hold_folder
from router.service.hold_words import sentences
from router.whatif.comparison.hold_rules import (
    NEVER,
    HoldFound,
    HoldRule,
    HoldSettings,
    _chosen,
    _found,
    habits_of,
)
from router.whatif.rolling import life
from router.whatif.rolling.replicate import renewed
from router.whatif.rolling.streams import draw_stream, history_of
from router.whatif.statistics import compare_paired

SMALL = Path(__file__).parents[3] / "scenarios" / "small"
LOW, HIGH = HoldRule(0.2, 9, 3), HoldRule(0.7, 9, 3)


def test_no_build_is_held_so_long_that_a_promise_is_broken_by_it(monkeypatch: pytest.MonkeyPatch) -> None:
    small = read_scenario(SMALL)
    held = refused = 0
    plain = life._Living._hold

    def watched(self: life._Living, k: int, plate: int, following: int) -> bool:
        nonlocal held, refused
        lines = {line for other in self.draft.loose(k) for line, _, _ in self.draft.lines_on(other)}
        before = {line: life.delivered(self.shop, self.draft.book, line) for line in lines}
        done = plain(self, k, plate, following)
        after = {line: life.delivered(self.shop, self.draft.book, line) for line in lines}
        held, refused = held + done, refused + (not done)
        for line in lines:
            was, now = before[line], after[line]
            assert was is not None and now is not None
            assert now.day <= max(was.day, self.promised[line])
            if not done:
                assert (now.day, now.cents, set(now.legs)) == (was.day, was.cents, set(was.legs))
        return done

    monkeypatch.setattr(life._Living, "_hold", watched)
    lines = draw_stream(history_of(small), small.network.now, 45, 7)
    stream = Scenario(renewed(small.network), lines, small.parts, "test")
    # Nearly nothing to spare and every plate: what is left to keep promises is the rule's own care.
    life.live(stream, 45, 3, habits_of(HoldRule(1.0, 0.1, 30)))
    assert held > 0
    assert refused > 0


def _tuned(cents: dict[str, list[float]], kept: dict[str, list[float]]) -> tuple[HoldSettings, list[HoldFound], object]:
    lived = {
        name: [
            {"landed_cents": c, "promise_kept_share": p, "mean_cover": 0.5, "late_share": 0.1}
            for c, p in zip(cents[name], kept[name], strict=True)
        ]
        for name in cents
    }
    settings = HoldSettings((LOW, HIGH), replications=4, executor="here")
    rules = {NEVER: None, LOW.name: LOW, HIGH.name: HIGH}
    found = [
        _found(
            name,
            rules[name],
            rows,
            {}
            if name == NEVER
            else {
                figure: compare_paired([x[figure] for x in rows], [x[figure] for x in lived[NEVER]])
                for figure in ("landed_cents", "promise_kept_share")
            },
        )
        for name, rows in lived.items()
    ]
    return settings, found, _chosen(settings, tuple(found), lived)


def test_cheapest_rule_wins_only_if_promises_are_kept_and_beyond_noise_only_if_it_is() -> None:
    base = [1000.0, 1300.0, 900.0, 1100.0]
    good, bad = [0.9, 0.95, 0.92, 0.9], [0.7, 0.76, 0.71, 0.69]
    clear = [b - 100 - n for n, b in enumerate(base)]
    cheapest = [b - 300 - n for n, b in enumerate(base)]
    _, _, tuning = _tuned(
        {NEVER: base, LOW.name: clear, HIGH.name: cheapest}, {NEVER: good, LOW.name: good, HIGH.name: bad}
    )
    assert tuning.best.name == LOW.name and tuning.beyond_noise  # type: ignore[attr-defined]
    said = " ".join(sentences(tuning, "EUR"))  # type: ignore[arg-type]
    assert f"fewer promises are kept than without holding: {HIGH.name}" in said
    unclear = [b + d for b, d in zip(base, [-90, 80, -70, 60], strict=True)]
    dearer = [b + 500 + n for n, b in enumerate(base)]
    _, _, tuning = _tuned(
        {NEVER: base, LOW.name: unclear, HIGH.name: dearer}, {NEVER: good, LOW.name: good, HIGH.name: good}
    )
    assert tuning.best.name == LOW.name and not tuning.beyond_noise  # type: ignore[attr-defined]
    said = " ".join(sentences(tuning, "EUR"))  # type: ignore[arg-type]
    assert "within noise" in said and "not shown that holding pays" in said


def test_a_cheaper_rule_that_breaks_promises_is_not_denied() -> None:
    base, good, bad = [1000.0, 1300.0, 900.0, 1100.0], [0.9, 0.95, 0.92, 0.9], [0.7, 0.76, 0.71, 0.69]
    dearer = [b + 500 + n for n, b in enumerate(base)]
    for cents, wanted in (
        ([b - 300 - n for n, b in enumerate(base)], "No rule tried that keeps promises is cheaper than starting"),
        (dearer, "No rule tried is cheaper than starting"),
    ):
        _, _, tuning = _tuned(
            {NEVER: base, LOW.name: dearer, HIGH.name: cents}, {NEVER: good, LOW.name: good, HIGH.name: bad}
        )
        assert tuning.best.name == NEVER  # type: ignore[attr-defined]
        assert any(text.startswith(wanted) for text in sentences(tuning, "EUR"))  # type: ignore[arg-type]


def test_rules_are_tried_on_a_folder_and_kept(tmp_path: Path) -> None:
    out = tmp_path / "out"
    settings = HoldSettings((LOW, HIGH), months=0.25, replications=2, executor="here")
    tuning, said = tune_hold_folder(SMALL, out, settings)
    made = json.loads((out / "hold.json").read_text(encoding="utf-8"))
    lives = [json.loads(line) for line in (out / "results.jsonl").read_text(encoding="utf-8").splitlines()]
    assert len(lives) == 6 and len({life["value"]["lines"] for life in lives}) <= 2
    for rule in made["rules"]:
        own = [x["value"]["landed_cents"] for x in lives if x["name"].startswith(rule["name"] + ", replication")]
        assert rule["landed_cents"] == pytest.approx(sum(own) / 2)
    keeping = [rule for rule in made["rules"] if rule["keeps_promises"]]
    assert made["best"] == min(keeping, key=lambda rule: rule["landed_cents"])["name"] == tuning.best.name
    assert made["explanation"] == said
    tune_hold_folder(SMALL, out, settings)
    assert len((out / "results.jsonl").read_text(encoding="utf-8").splitlines()) == 6
    (out / "thesis.txt").write_text("mine")
    with pytest.raises(FaultyInput, match="earlier trial"):
        tune_hold_folder(SMALL, out, settings)


@pytest.mark.parametrize("given", [(0.0, 9, 3), (1.2, 9, 3), (float("nan"), 9, 3), (0.3, 0, 3), (0.3, 9, 0)], ids=str)
def test_rules_that_make_no_sense_are_refused(given: tuple[float, float, int]) -> None:
    with pytest.raises(ValueError, match="found"):
        HoldRule(*given)
    with pytest.raises(ValueError, match="every rule once"):
        HoldSettings((LOW, LOW))

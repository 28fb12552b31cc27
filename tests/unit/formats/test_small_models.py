"""The committed models of the small scenario are those its script makes, and they are small."""

from __future__ import annotations

from small_folder import SMALL

from scenarios.small_models import model_bytes


def test_models_are_current() -> None:
    made = model_bytes()
    assert {p.name: p.read_bytes() for p in (SMALL / "models").iterdir()} == made


def test_models_are_small() -> None:
    # Binary STL: 84 bytes and 50 a facet.
    assert all((len(c) - 84) / 50 <= 900 for name, c in model_bytes().items() if name.endswith(".stl"))

"""Money in curves of quantities rounds as money does everywhere: half a cent up."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace
from typing import cast

import pytest

from router.service import quantities
from router.service.desk import Desk
from router.service.records import Actor


@pytest.mark.parametrize(("cents", "quantity", "piece"), [(5, 2, 3), (7, 2, 4), (9, 2, 5), (10, 3, 3), (1, 8, 0)])
def test_half_a_cent_of_a_piece_goes_up(monkeypatch: pytest.MonkeyPatch, cents: int, quantity: int, piece: int) -> None:
    site = SimpleNamespace(
        site_id="OHIO", possible=True, fair_cents=cents, chosen=False, arrive_date=date(2027, 3, 1), late_days=0
    )
    monkeypatch.setattr(quantities, "where_in_quantities", lambda *_: (SimpleNamespace(sites=(site,)),))
    found = quantities._cost(cast(Desk, None), cast(Actor, None), "1001-1", quantity)
    assert (found.landed_cents, found.piece_cents) == (cents, piece)

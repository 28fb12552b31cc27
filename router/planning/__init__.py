"""Planning: which site, plate, machine, moment and shipment for every piece. Start at :func:`plan_scenario`."""

from router.planning.solve import RunParams, plan_scenario

__all__ = ["RunParams", "plan_scenario"]

"""A published plan taken up again as an exact state, whole or as much of it as the scenario still allows."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection
from dataclasses import dataclass

from router.domain.plan import Build, Plan
from router.kernel.faults import Conflict, NotFound
from router.nesting import Nest, Placement, Shape
from router.planning.eligibility import Choice
from router.planning.plate_state import Item, PlateState
from router.planning.problem import Problem
from router.planning.state import State


class CannotStay(Conflict):
    """A build that was to be kept cannot stay as it is."""

    def __init__(self, build_id: str, why: str) -> None:
        self.build_id = build_id
        self.why = why
        super().__init__(f"build {build_id}: {why}; plan again")


@dataclass(frozen=True, slots=True)
class TakenUp:
    """The state, and what of the plan is not in it any more."""

    state: State
    """``firm`` of it holds the builds to be kept, and what runs before them on their machines."""
    left_out: tuple[str, ...]
    """Why pieces or builds were left out, for people."""


def take_up(problem: Problem, plan: Plan, keep: Collection[str] = ()) -> TakenUp:
    """The plates of a plan with their pieces where they are, in the same queues.

    Pieces nobody wants any more (a line gone or smaller: those planned first are taken to be built), or that may not
    be built there any more, are left out, and so are builds that cannot be run. Not so of the builds named in ``keep``:
    they stay, with all that runs before them on their machines, for their times hang on it. Raises NotFound for a name
    that is no build of the plan and CannotStay, a Conflict, when a build to be kept cannot stay as it is.
    """
    return _Taker(problem, plan, keep).run()


class _Taker:
    def __init__(self, problem: Problem, plan: Plan, keep: Collection[str]) -> None:
        self.problem = problem
        self.index = {line.line_id: n for n, line in enumerate(problem.lines)}
        self.left = [line.quantity for line in problem.lines]
        self.left_out: list[str] = []
        named = {b.build_id for b in plan.builds}
        for name in keep:
            if name not in named:
                raise NotFound(f"no build {name!r} in the plan")
        machines = {m.machine_id: k for k, m in enumerate(problem.machines)}
        self.queues: dict[int, list[Build]] = defaultdict(list)
        for build in sorted(plan.builds, key=lambda b: b.load_start):
            if build.machine_id in machines:
                self.queues[machines[build.machine_id]].append(build)
            else:
                self._refuse(build, f"machine {build.machine_id} is not there any more", build.build_id in keep)
        self.firm = [0] * len(problem.machines)
        for machine, builds in self.queues.items():
            self.firm[machine] = max((n for n, b in enumerate(builds, start=1) if b.build_id in keep), default=0)

    def run(self) -> TakenUp:
        state = State(self.problem)
        order: list[tuple[bool, float, int, int]] = []
        for machine, builds in sorted(self.queues.items()):
            for n, build in enumerate(builds):
                kept = n < self.firm[machine]
                # What is to be kept has its pieces first, then what is planned last: what is gone was built first.
                order.append((not kept, build.load_start.timestamp() * (1 if kept else -1), machine, n))
        plates: dict[tuple[int, int], PlateState | None] = {}
        for loose, _, machine, n in sorted(order):
            plates[machine, n] = self._plate(machine, self.queues[machine][n], not loose)
        for machine, builds in sorted(self.queues.items()):
            sequence: tuple[int, ...] = ()
            for n, build in enumerate(builds):
                plate = plates[machine, n]
                if plate is None:
                    continue
                plate.plate_id = state.new_plate_id()
                if state.change(machine, (*sequence, plate.plate_id), {plate.plate_id: plate}) is not None:
                    sequence = (*sequence, plate.plate_id)
                    continue
                self._refuse(build, f"cannot be run on {build.machine_id} in this order", n < self.firm[machine])
        state.firm = self.firm
        return TakenUp(state, tuple(self.left_out))

    def _refuse(self, build: Build, why: str, kept: bool) -> None:
        if kept:
            raise CannotStay(build.build_id, why)
        self.left_out.append(f"build {build.build_id}: {why}")

    def _plate(self, machine: int, build: Build, kept: bool) -> PlateState | None:
        problem = self.problem
        items: dict[int, Item] = {}
        shapes: dict[str, Shape] = {}
        # In the order of the shares, which is that of the plate the plan was made from: sums in floating point and
        # positions of like pieces hang on it.
        order = {share.line_id: n for n, share in enumerate(build.shares)}
        counts = Counter((p.line_id, p.orientation) for p in build.pieces if p.line_id is not None)
        for (line_id, orientation), pieces in sorted(counts.items(), key=lambda c: order.get(c[0][0], len(order))):
            choice, why = self._choice(machine, build, line_id, orientation)
            line = self.index.get(line_id, -1)
            if choice is not None and line in items:
                choice, why = None, f"line {line_id} stands on it in two orientations"
            if choice is not None and any(problem.lines[i].own_plate for i in (*items, line)) and items:
                choice, why = None, f"line {line_id} may not share a plate"
            if choice is None:
                self._refuse(build, why, kept)
                continue
            many = min(pieces, self.left[line])
            if many < pieces:
                self._refuse(build, f"line {line_id} has {pieces} pieces on it, of which {many} are still wanted", kept)
            if many > 0:
                self.left[line] -= many
                items[line] = Item(choice, many)
                shapes[line_id] = choice.shape
        if not items:
            return None
        coupons = max(problem.lines[i].coupons for i in items)
        plate = PlateState(0, machine, build.parameter_set_id, Nest(problem.specs[machine]))
        standing = self._stand(
            plate.nest, build, {problem.lines[i].line_id: n.pieces for i, n in items.items()}, shapes, coupons
        )
        if standing < coupons:
            self._refuse(build, f"its lines now ask for {coupons} coupons, {standing} are on it", kept)
            for line, item in items.items():
                self.left[line] += item.pieces
            return None
        plate.items, plate.coupons = items, coupons
        plate.refresh(problem)
        return plate

    def _choice(self, machine: int, build: Build, line_id: str, orientation: str) -> tuple[Choice | None, str]:
        if line_id not in self.index:
            return (
                None,
                f"line {line_id} is not open any more: held, withdrawn, delivered or all its pieces on started builds",
            )
        line = self.index[line_id]
        if self.problem.lines[line].parameter_set_id != build.parameter_set_id:
            return None, f"line {line_id} is not of {build.parameter_set_id} any more"
        choice = oriented(self.problem, line, machine, orientation)
        if choice is None:
            return None, f"line {line_id} may not be built on {build.machine_id} in orientation {orientation} any more"
        return choice, ""

    def _stand(self, nest: Nest, build: Build, pieces: dict[str, int], shapes: dict[str, Shape], coupons: int) -> int:
        """Put pieces where the build has them, so many of each line; returns how many coupons stand."""
        left = dict(pieces)
        standing = 0
        for piece in build.pieces:
            if piece.line_id is None:
                if standing == coupons:
                    continue
                standing += 1
                shape = self.problem.coupon_shape
            elif left.get(piece.line_id, 0) > 0:
                left[piece.line_id] -= 1
                shape = shapes[piece.line_id]
            else:
                continue
            nest.put(shape, Placement(shape.key, piece.x_mm, piece.y_mm, piece.angle_deg))
        return standing


def oriented(problem: Problem, line: int, machine: int, orientation: str) -> Choice | None:
    """The choice of a line on a machine in an orientation; None when it may not be built so."""
    return next((c for c in problem.possible_choices(line, machine) if c.orientation == orientation), None)

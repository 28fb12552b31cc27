"""One CP-SAT model of the whole problem: grouping, positions, machines and sequence at once.

A build is named after its part of lowest number, so that no two plans differ by names alone. Positions lie on a lattice
of the plate's units. Where outlines may not be turned, two parts on one build keep to the displacements at which their
true outlines do not overlap (worked out beforehand, exact up to touching); where they may, each is its box with the
spacing around it, in both right-angle turns. Either way the model allows no plan the problem forbids; it allows fewer.
"""

from __future__ import annotations

import math

from ortools.sat.python import cp_model

from tests.bench.lattice_apart import apart_steps
from tests.bench.plates_problem import PlatesProblem, takes

_AREA_SCALE = 1_000


class PlatesModel:
    """Variables, then one method a family of constraints; ``keep_...`` is called once, ``minimise`` last."""

    def __init__(self, problem: PlatesProblem) -> None:
        self.problem = problem
        self.cp = cp_model.CpModel()
        n = len(problem.parts)
        self.n = n
        self.builder: list[list[cp_model.IntVar | None]] = []
        """[build][machine]; None where its own part is too tall."""
        self.on: dict[tuple[int, int], cp_model.IntVar] = {}
        """(build, part): the part is on the build; build number at most the part's."""
        self.rep = [self.cp.new_int_var(0, i, f"build_of_{i}") for i in range(n)]
        self.ends: list[cp_model.IntVar] = []
        # Durations are rounded up to whole units: a plan of the model is a plan of the problem.
        self.horizon = int(
            sum(
                math.ceil(max(m.duration([i]) for m in problem.machines if m.tall[i] is not None)) + 1 for i in range(n)
            )
            + max(p.release for p in problem.parts)
        )
        self._builds()
        self.x: list[cp_model.IntVar] = []
        self.y: list[cp_model.IntVar] = []
        self.turned: list[cp_model.IntVar] = []

    def _builds(self) -> None:
        """Parts to builds, builds to machines and times."""
        cp, problem, n = self.cp, self.problem, self.n
        for b in range(n):
            for i in range(b, n):
                self.on[b, i] = cp.new_bool_var(f"on_{b}_{i}")
                cp.add(self.rep[i] == b).only_enforce_if(self.on[b, i])
                if i > b:
                    cp.add_implication(self.on[b, i], self.on[b, b])
        for i in range(n):
            cp.add_exactly_one(self.on[b, i] for b in range(i + 1))
        intervals: list[list[cp_model.IntervalVar]] = [[] for _ in problem.machines]
        for b in range(n):
            start = cp.new_int_var(0, self.horizon, f"start_{b}")
            end = cp.new_int_var(0, self.horizon, f"end_{b}")
            size = cp.new_int_var(0, self.horizon, f"size_{b}")
            self.ends.append(end)
            row: list[cp_model.IntVar | None] = []
            for k, machine in enumerate(problem.machines):
                if machine.tall[b] is None:
                    row.append(None)
                    continue
                here = cp.new_bool_var(f"build_{b}_on_{k}")
                row.append(here)
                intervals[k].append(cp.new_optional_interval_var(start, size, end, here, f"run_{b}_{k}"))
                exposure = sum(
                    math.ceil(machine.exposure[i]) * self.on[b, i] for i in range(b, n) if machine.exposure[i] > 0
                )
                for i in range(b, n):
                    tall = machine.tall[i]
                    if tall is None:
                        cp.add_bool_or(here.Not(), self.on[b, i].Not())
                        continue
                    fixed = math.ceil(machine.setup + tall)
                    cp.add(size >= fixed + exposure).only_enforce_if(here, self.on[b, i])
            self.builder.append(row)
            cp.add(sum(v for v in row if v is not None) == self.on[b, b])
            for i in range(b, n):
                if problem.parts[i].release > 0:
                    cp.add(start >= math.ceil(problem.parts[i].release)).only_enforce_if(self.on[b, i])
        for spans in intervals:
            cp.add_no_overlap(spans)

    def keep_outlines_apart(self) -> None:
        """Positions on the unit lattice, and for every pair the displacements without overlap."""
        cp, parts = self.cp, self.problem.parts
        machine = self.problem.machines[0]
        wide, deep = math.floor(machine.width), math.floor(machine.depth)
        stride = 2 * deep + 1
        for i, part in enumerate(parts):
            x0, y0, x1, y1 = part.region().bounds
            self.x.append(cp.new_int_var(math.ceil(-x0), math.floor(wide - x1), f"x_{i}"))
            self.y.append(cp.new_int_var(math.ceil(-y0), math.floor(deep - y1), f"y_{i}"))
        for j in range(self.n):
            for i in range(j):
                apart = cp_model.Domain.from_intervals(apart_steps(parts[i], parts[j], wide, deep))
                step = stride * (self.x[j] - self.x[i]) + self.y[j] - self.y[i]
                cp.add_linear_expression_in_domain(step, apart).only_enforce_if(self._together(i, j))

    def keep_to_area(self) -> None:
        """Net areas on a build add to no more than the room inside the margin of its machine."""
        areas = [math.floor(_AREA_SCALE * p.region().area) for p in self.problem.parts]
        for b in range(self.n):
            load = sum(areas[i] * self.on[b, i] for i in range(b, self.n))
            for k, m in enumerate(self.problem.machines):
                here = self.builder[b][k]
                if here is not None:
                    room = (m.width - 2 * m.margin) * (m.depth - 2 * m.margin)
                    self.cp.add(load <= math.ceil(_AREA_SCALE * room)).only_enforce_if(here)

    def _together(self, i: int, j: int) -> cp_model.IntVar:
        """A variable that is 1 when both parts are on one build."""
        both = self.cp.new_bool_var(f"both_{i}_{j}")
        self.cp.add(self.rep[i] != self.rep[j]).only_enforce_if(both.Not())
        self.cp.add(self.rep[i] == self.rep[j]).only_enforce_if(both)
        return both

    def keep_boxes_apart(self) -> None:
        """Boxes in two turns on plates of several machines, whole units, half the spacing added on every side."""
        cp, problem, n = self.cp, self.problem, self.n
        spacing = max(m.spacing for m in problem.machines)
        # Every build has a lane of its own on one long line, as wide as the widest plate.
        lane = math.ceil(max(m.width for m in problem.machines)) + math.ceil(spacing) + 1
        across, along = [], []
        for i, part in enumerate(problem.parts):
            x0, y0, x1, y1 = part.region().bounds
            w, h = math.ceil(x1 - x0 + spacing), math.ceil(y1 - y0 + spacing)
            turn = cp.new_bool_var(f"turned_{i}")
            self.turned.append(turn)
            x = cp.new_int_var(0, lane, f"x_{i}")
            y = cp.new_int_var(0, math.ceil(max(m.depth for m in problem.machines)), f"y_{i}")
            at = cp.new_int_var(0, lane * n, f"at_{i}")
            cp.add(at == x + lane * self.rep[i])
            wide = w + (h - w) * turn
            deep = h + (w - h) * turn
            for b in range(i + 1):
                for k, machine in enumerate(problem.machines):
                    here = self.builder[b][k]
                    if here is None:
                        continue
                    # Inside the margin, the spacing may reach over it.
                    room_x = math.floor(machine.width - 2 * machine.margin + spacing)
                    room_y = math.floor(machine.depth - 2 * machine.margin + spacing)
                    cp.add(x + wide <= room_x).only_enforce_if(here, self.on[b, i])
                    cp.add(y + deep <= room_y).only_enforce_if(here, self.on[b, i])
            end_x = cp.new_int_var(0, lane * n, f"end_x_{i}")
            end_y = cp.new_int_var(0, 2 * lane, f"end_y_{i}")
            size_x = cp.new_int_var(min(w, h), max(w, h), f"size_x_{i}")
            size_y = cp.new_int_var(min(w, h), max(w, h), f"size_y_{i}")
            cp.add(size_x == wide)
            cp.add(size_y == deep)
            across.append(cp.new_interval_var(at, size_x, end_x, f"across_{i}"))
            along.append(cp.new_interval_var(y, size_y, end_y, f"along_{i}"))
            self.x.append(x)
            self.y.append(y)
        cp.add_no_overlap_2d(across, along)

    def minimise(self) -> None:
        """Tardiness, completion or makespan of the parts."""
        cp, problem = self.cp, self.problem
        terms = []
        for i, part in enumerate(problem.parts):
            late = cp.new_int_var(0, self.horizon, f"late_{i}")
            due = 0 if problem.goal != "tardiness" else math.floor(part.due)
            for b in range(i + 1):
                cp.add(late >= self.ends[b] - due).only_enforce_if(self.on[b, i])
            terms.append(late)
        if problem.goal == "makespan":
            last = cp.new_int_var(0, self.horizon, "last")
            cp.add_max_equality(last, terms)
            cp.minimize(last)
        else:
            cp.minimize(sum(terms))

    def hint_alone(self) -> None:
        """Begin with every part on a build of its own, on the first machine that takes it."""
        for b in range(self.n):
            k = next(k for k in range(len(self.problem.machines)) if takes(self.problem, k, b))
            for m, here in enumerate(self.builder[b]):
                if here is not None:
                    self.cp.add_hint(here, m == k)
            for i in range(b, self.n):
                self.cp.add_hint(self.on[b, i], i == b)

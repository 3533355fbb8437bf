"""The minimum-time problem evaluated over all its stages at once, and its Newton systems assembled as narrow bands.

Unknowns are taken in the order c0, z0, c1, z1, ...: every stage then touches unknowns at most REACH apart, and the
Newton system of the whole lap is a band of that width, closed into a ring on a closed track.

The stages' functions are CasADi's, of scalars: lists of elementary operations.  NumPy runs each operation over all
stages of a lap at once.  That gives the same numbers, to the last bit, in a fraction of the time of one stage after
the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import pairwise
from threading import Lock
from typing import Any, NamedTuple

import casadi as ca
import numpy as np

from linelab.model import grip
from linelab.optimum.stage import GAUSS_SIZE, LOCAL, POWER_SIZE, RATE_SIZE, Z_SCALE, Structure
from linelab.optimum.transcription import layout, parameter_sizes, stage_of
from linelab.units import Array

_ONE = {
    ca.OP_SQ: np.square,
    ca.OP_SQRT: np.sqrt,
    ca.OP_NEG: np.negative,
    ca.OP_INV: np.reciprocal,
    ca.OP_FABS: np.abs,
    ca.OP_SIN: np.sin,
    ca.OP_COS: np.cos,
}
_TWO = {ca.OP_ADD: np.add, ca.OP_SUB: np.subtract, ca.OP_MUL: np.multiply, ca.OP_DIV: np.divide}


class Step(NamedTuple):
    """One instruction: operation, operands and result (registers, or input and element), constant."""

    operation: int
    read: tuple[int, ...]
    write: tuple[int, ...]
    value: float


class Tape(NamedTuple):
    """The instructions of a function, and how many registers they need."""

    steps: tuple[Step, ...]
    registers: int
    inputs: tuple[int, ...]  #: elements of each input
    outputs: tuple[int, ...]  #: nonzeros of each output


def tape_of(function: Any) -> Tape:
    """The instructions of an SX function.

    Raises
    ------
    NotImplementedError
        The function holds an operation that has no counterpart here.
    """
    steps = []
    for k in range(function.n_instructions()):
        operation = function.instruction_id(k)
        constant = operation == ca.OP_CONST
        if operation not in (*_ONE, *_TWO, ca.OP_TWICE, ca.OP_INPUT, ca.OP_OUTPUT, ca.OP_CONST):
            raise NotImplementedError(f"operation {operation} of {function.name()}")
        read = () if constant else tuple(function.instruction_input(k))
        value = function.instruction_constant(k) if constant else 0.0
        steps.append(Step(operation, read, tuple(function.instruction_output(k)), value))
    return Tape(
        tuple(steps),
        function.sz_w(),
        tuple(function.numel_in(i) for i in range(function.n_in())),
        tuple(function.nnz_out(i) for i in range(function.n_out())),
    )


def bound(tape: Tape, inputs: Sequence[Array], outputs: Sequence[Array], arena: Array) -> list[tuple[Any, ...]]:
    """The calls that run a tape on the given arrays, which they read and write in place.

    Parameters
    ----------
    tape : Tape
    inputs, outputs : arrays (elements, M); an input that is the same for every column may be (elements,)
    arena : array (registers at least, M)
        Room for what lies between.
    """
    at: list[Any] = [None] * tape.registers
    calls: list[tuple[Any, ...]] = []
    for operation, read, write, value in tape.steps:
        if operation == ca.OP_INPUT:
            at[write[0]] = inputs[read[0]][read[1], ...]
        elif operation == ca.OP_CONST:
            at[write[0]] = np.array(value)
        elif operation == ca.OP_OUTPUT:
            calls.append((np.positive, at[read[0]], outputs[write[0]][write[1]]))
        else:
            operands = [at[j] for j in read]
            result = np.zeros(()) if all(each.ndim == 0 for each in operands) else arena[write[0]]
            if operation == ca.OP_TWICE:
                calls.append((np.add, operands[0], operands[0], result))
            else:
                calls.append((_ONE.get(operation) or _TWO[operation], *operands, result))
            at[write[0]] = result
    return calls


def run(calls: list[tuple[Any, ...]]) -> None:
    """Run bound calls."""
    for call in calls:
        call[0](*call[1:])


#: Where a stage's unknowns c[i-1..i+2], z[i-1..i+1] lie from the first of them on, and how far apart at most.
OFFSETS = (0, 2, 4, 6, 1, 3, 5)
REACH = 6
#: Stages evaluated together: what keeps the registers within the processor's cache.
BLOCK = 2048


class _Tapes(NamedTuple):
    cost: Tape
    constraints: Tape
    jacobian: Tape
    hessian: Tape
    entries: tuple[tuple[int, int], ...]  #: row and column of the Jacobian's nonzeros in a stage
    below: tuple[tuple[int, int], ...]  #: and of the Hessian's, lower triangle


class DriveTable(NamedTuple):
    """Greatest wheel power as cubics over equal steps of speed: coefficients (4, K), highest power first [W]."""

    step: float  #: [m/s]
    cubics: Array

    def at(self, v: Array) -> Array:
        """Power [W] and its first two derivatives by speed (3, M) at speeds (M,)."""
        place = v / self.step
        index = np.minimum(place.astype(np.intp), self.cubics.shape[1] - 1)
        u = place - index
        a, b, c, d = self.cubics[:, index]
        slope, bend = (3.0 * a * u + 2.0 * b) * u + c, 6.0 * a * u + 2.0 * b
        return np.array([((a * u + b) * u + c) * u + d, slope / self.step, bend / self.step**2])


def drive_table(kart: grip.KartNumbers, knots: int) -> DriveTable:
    """The drive curve tabled finely against its rounding, value and slope exact at every step."""
    step = 0.4 * grip.ROUNDING
    v = step * np.arange(int(np.ceil(float(kart.top_speed) / step)) + 2)
    power = np.asarray(grip.drive_power(kart, v, knots)) + np.zeros(v.size)
    slope = step * (np.asarray(grip.power_slope(kart, v, knots)) + np.zeros(v.size))
    rise = np.diff(power)
    cubics = [slope[:-1] + slope[1:] - 2.0 * rise, 3.0 * rise - 2.0 * slope[:-1] - slope[1:], slope[:-1], power[:-1]]
    return DriveTable(step, np.array(cubics))


@lru_cache(maxsize=16)
def _tapes(one: Structure) -> _Tapes:
    stage = stage_of(one, not one.rates)
    return _Tapes(
        cost=tape_of(stage.cost),
        constraints=tape_of(stage.constraints),
        jacobian=tape_of(stage.jacobian),
        hessian=tape_of(stage.hessian),
        entries=tuple(zip(*stage.jacobian_sparsity.get_triplet())),
        below=tuple(zip(*stage.hessian_sparsity.get_triplet())),
    )


@lru_cache(maxsize=8)
def stages_of(structure: Structure) -> Stages:
    """The workspace of a shape of problem, kept for the next solve."""
    return Stages(structure)


class Stages:
    """Workspace of one shape of problem; its methods share their buffers, so a solve holds its lock."""

    def __init__(self, structure: Structure) -> None:
        self.lock = Lock()
        self.structure, self.count, self.rows = structure, structure.stages, structure.constraints
        place = layout(structure)
        self.size = place.path + place.speed
        self._tapes = _tapes(replace(structure, intervals=1))
        index = np.empty(self.size, dtype=np.intp)  # of x in the order of this module
        index[0 : 2 * place.path : 2] = np.arange(place.path)
        index[1 : 2 * place.speed + 1 : 2] = place.path + np.arange(place.speed)
        self.order = index
        self._wide = np.zeros(2 * self.count + REACH)
        self._local, self._moved = np.zeros((LOCAL, self.count)), np.zeros((LOCAL, self.count))
        self._weights = np.zeros((self.rows, self.count))
        self._allocate()

    def _allocate(self) -> None:
        tapes, count = self._tapes, self.count
        node = np.zeros((self.structure.node_size, count))
        after = np.zeros((self.structure.node_size, count)) if self.structure.rates else node
        self._fixed = [node, after, np.zeros((GAUSS_SIZE, count)), np.zeros(grip.SIZE), np.zeros(RATE_SIZE)]
        self._power = np.zeros((POWER_SIZE, count))
        one, power = np.ones(1), [] if self.structure.rates else [self._power]
        self.out = {
            name: [np.zeros((size, count)) for size in getattr(tapes, name).outputs] for name in _Tapes._fields[:4]
        }
        blocks = -(-count // BLOCK)
        cuts = np.linspace(0, count, blocks + 1).astype(np.intp)
        registers = max(getattr(tapes, name).registers for name in self.out)
        arena = np.zeros((registers, int(np.diff(cuts).max())))
        self._calls: dict[str, list[tuple[Any, ...]]] = {name: [] for name in self.out}
        for first, last in pairwise(cuts):
            every = [a[:, first:last] if a.ndim == 2 else a for a in (self._local, *self._fixed, *power)]
            for name in self.out:
                more = [one, self._weights[:, first:last]] if name == "hessian" else []
                results = [a[:, first:last] for a in self.out[name]]
                self._calls[name] += bound(getattr(tapes, name), [*every, *more], results, arena[:, : last - first])

    def load(self, parameters: Array) -> None:
        """Take the numbers of a solve, in the order of ``transcription.parameter_sizes``."""
        nodes, gauss, _ = parameter_sizes(self.structure)
        node, after, interval, kart, rates = self._fixed
        node[...] = parameters[:nodes].reshape(self.count, -1).T
        if self.structure.rates:
            following = np.minimum(np.arange(self.count) + 1, self.count - 1)
            if self.structure.closed:
                following[-1] = 0
            after[...] = node[:, following]
        interval[...] = parameters[nodes : nodes + gauss].reshape(self.count, -1).T
        tail = parameters[nodes + gauss :]
        self._drive = drive_table(grip.unpack(tail[: grip.SIZE]), self.structure.knots)
        self._taken = np.zeros(0)
        kart[...], rates[...] = tail[: grip.SIZE], tail[grip.SIZE : grip.SIZE + RATE_SIZE]
        size, (a, b, c, d) = self.structure.intervals, tail[grip.SIZE + RATE_SIZE :]
        columns = np.array([[0, 4], [1, 3], [2 * size, 2 * size + 4], [2 * size + 1, 2 * size + 3]])
        self._ends = columns, np.array([[a, b], [0.5, 0.5], [c, d], [0.5, 0.5]])

    def _gather(self, x: Array, local: Array) -> Array:
        """Unknowns (n,) by stage (LOCAL, stages), in place."""
        wide = self._wide
        if self.structure.closed:
            wide[:2], wide[2:-4], wide[-4:] = x[-2:], x, x[:4]
        else:
            wide[: self.size], wide[self.size :] = x, x[-2]
        for k, offset in enumerate(OFFSETS):
            local[k] = wide[offset : offset + 2 * self.count - 1 : 2]
        return local

    def _folded(self, wide: Array) -> Array:
        """Sums by unknown (n, ...) from sums by place in a gathered row; opposite of the widening above."""
        if not self.structure.closed:
            return wide[: self.size]
        sums = wide[2:-4]
        sums[-2:] += wide[:2]
        sums[:4] += wide[-4:]
        return sums

    def _scatter(self, local: Array) -> Array:
        wide = np.zeros(self._wide.size)
        for k, offset in enumerate(OFFSETS):
            wide[offset : offset + 2 * self.count - 1 : 2] += local[k]
        return self._folded(wide)

    def _take(self, x: Array) -> None:
        """Set the functions' inputs at x (n,), and the cost; often they are there already."""
        if np.array_equal(x, self._taken):
            return
        self._taken = x.copy()
        local = self._gather(x, self._local)
        if not self.structure.rates:
            v = np.sqrt(0.5 * Z_SCALE * (local[4] + local[5]))
            self._power[0], self._power[1:] = v, self._drive.at(v)
        run(self._calls["cost"])

    def value(self, x: Array) -> tuple[float, Array]:
        """Objective and constraints (g,) at x (n,)."""
        self._take(x)
        run(self._calls["constraints"])
        return float(self.out["cost"][0].sum()), self._with_ends(self.out["constraints"][0], x)

    def linear(self, x: Array) -> tuple[float, Array, Array]:
        """Objective, its gradient (n,) and constraints (g,) at x; the Jacobian there serves the methods below."""
        self._take(x)
        run(self._calls["jacobian"])
        value, slope = self.out["cost"]
        return float(value.sum()), self._scatter(slope), self._with_ends(self.out["jacobian"][0], x)

    def _with_ends(self, rows: Array, x: Array) -> Array:
        body = rows.T.ravel()
        return body if self.structure.closed else np.concatenate([body, (self._ends[1] * x[self._ends[0]]).sum(axis=1)])

    def forward(self, step: Array) -> Array:
        """Jacobian (g, n) times a step (n,)."""
        local, entries = self._gather(step, self._moved), self.out["jacobian"][1]
        rows = np.zeros((self.rows, self.count))
        for (row, column), entry in zip(self._tapes.entries, entries):
            rows[row] += entry * local[column]
        return self._with_ends(rows, step)

    def back(self, weights: Array) -> Array:
        """Transposed Jacobian times weights (g,): (n,)."""
        rows, entries = self._by_row(weights), self.out["jacobian"][1]
        local = np.zeros((LOCAL, self.count))
        for (row, column), entry in zip(self._tapes.entries, entries):
            local[column] += entry * rows[row]
        total = self._scatter(local)
        if not self.structure.closed:
            np.add.at(total, self._ends[0], self._ends[1] * weights[-4:, None])
        return total

    def _by_row(self, weights: Array) -> Array:
        return weights[: self.rows * self.count].reshape(self.count, self.rows).T

    def newton(self, multipliers: Array, weights: Array) -> Array:
        """Lower band (n, REACH+1) of the Lagrangian's Hessian and of the Jacobian's weighted square
        ``Jᵀ·diag(weights)·J``, added up, at the x of the last :meth:`linear`."""
        self._weights[...] = self._by_row(multipliers)
        run(self._calls["hessian"])
        sums = dict(zip(self._tapes.below, self.out["hessian"][0]))  # rewritten by the next run
        rows, entries = self._by_row(weights), self.out["jacobian"][1]
        nonzeros = [(*place, entry) for place, entry in zip(self._tapes.entries, entries)]
        for k, (row, column, entry) in enumerate(nonzeros):
            weighted = rows[row] * entry
            for other_row, other_column, other in nonzeros[: k + 1]:
                if other_row == row:
                    sums[column, other_column] += weighted * other
        wide = np.zeros((self._wide.size, REACH + 1))
        for place, values in sums.items():
            self._add(wide, *place, values)
        total = self._folded(wide)
        if not self.structure.closed:
            for (first, second), (a, b), weight in zip(*self._ends, weights[-4:]):
                total[first, 0] += weight * a * a
                total[second, 0] += weight * b * b
                total[first, second - first] += weight * a * b
        return total

    def _add(self, wide: Array, row: int, column: int, values: Array) -> None:
        a, b = OFFSETS[row], OFFSETS[column]
        first = min(a, b)
        wide[first : first + 2 * self.count - 1 : 2, abs(a - b)] += values

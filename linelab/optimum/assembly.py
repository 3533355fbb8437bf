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
from linelab.optimum.stage import GAUSS_SIZE, LOCAL, POWER_SIZE, RATE_SIZE, Z_SCALE, Structure, whole_stage
from linelab.optimum.transcription import layout, parameter_sizes
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


#: Functions with their arguments, the last of which is written to.
_Calls = list[tuple[Any, tuple[Any, ...]]]


def bound(tape: Tape, inputs: Sequence[Array], outputs: Sequence[Array], arena: Array) -> tuple[_Calls, _Calls]:
    """The calls that run a tape on the given arrays, which they read and write in place.

    Parameters
    ----------
    tape : Tape
    inputs, outputs : arrays (elements, M); an input that is the same for every column may be (elements,)
    arena : array (registers at least, M)
        Room for what lies between.

    Returns
    -------
    (calls for all outputs but the last, calls that go on from there to the last)
    """
    made = [-1] * tape.registers  # the last step that wrote each register
    direct: dict[int, tuple[int, ...]] = {}  # step -> the output that it makes
    for k, (operation, read, write, _) in enumerate(tape.steps):
        if operation == ca.OP_OUTPUT:
            direct.setdefault(made[read[0]], write)
        else:
            made[write[0]] = -1 if operation in (ca.OP_INPUT, ca.OP_CONST) else k
    at: list[Any] = [None] * tape.registers
    calls: _Calls = []
    first = 0
    for k, (operation, read, write, value) in enumerate(tape.steps):
        if operation == ca.OP_INPUT:
            at[write[0]] = inputs[read[0]][read[1], ...]
        elif operation == ca.OP_CONST:
            at[write[0]] = np.array(value)
        elif operation == ca.OP_OUTPUT:
            into = outputs[write[0]][write[1]]
            if not (at[read[0]].ndim and np.shares_memory(at[read[0]], into)):
                calls.append((np.positive, (at[read[0]], into)))
            first = first if write[0] == len(outputs) - 1 else len(calls)
        else:
            operands = [at[j] for j in read]
            if all(each.ndim == 0 for each in operands):
                result = np.zeros(())
            else:
                row = direct.get(k)
                result = arena[write[0]] if row is None else outputs[row[0]][row[1]]
            if operation == ca.OP_TWICE:
                calls.append((np.add, (operands[0], operands[0], result)))
            else:
                calls.append((_ONE.get(operation) or _TWO[operation], (*operands, result)))
            at[write[0]] = result
    return calls[:first], calls[first:]


def run(calls: _Calls) -> None:
    """Run bound calls."""
    for function, arguments in calls:
        function(*arguments)


#: Where a stage's unknowns c[i-1..i+2], z[i-1..i+1] lie from the first of them on, and how far apart at most.
OFFSETS = (0, 2, 4, 6, 1, 3, 5)
REACH = 6
#: Stages evaluated together: what keeps the registers within the processor's cache.
BLOCK = 2048


class _Whole(NamedTuple):
    tape: Tape
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
def _whole(one: Structure) -> _Whole:
    function, jacobian, hessian = whole_stage(one)
    return _Whole(tape_of(function), *(tuple(zip(*sparsity.get_triplet())) for sparsity in (jacobian, hessian)))


class _Out(NamedTuple):
    """Outputs of all stages (elements, stages)."""

    cost: Array
    slope: Array
    constraints: Array
    jacobian: Array
    hessian: Array


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
        self._stage = _whole(replace(structure, intervals=1))
        index = np.empty(self.size, dtype=np.intp)  # of x in the order of this module
        index[0 : 2 * place.path : 2] = np.arange(place.path)
        index[1 : 2 * place.speed + 1 : 2] = place.path + np.arange(place.speed)
        self.order = index
        self._wide = np.zeros(2 * self.count + REACH)
        self._local, self._moved = np.zeros((LOCAL, self.count)), np.zeros((LOCAL, self.count))
        self._weights = np.zeros((self.rows, self.count))
        self._spent = False
        self._allocate()

    def _allocate(self) -> None:
        (tape, entries, _), count = self._stage, self.count
        node = np.zeros((self.structure.node_size, count))
        after = np.zeros((self.structure.node_size, count)) if self.structure.rates else node
        self._fixed = [node, after, np.zeros((GAUSS_SIZE, count)), np.zeros(grip.SIZE), np.zeros(RATE_SIZE)]
        self._power = np.zeros((POWER_SIZE, count))
        power = [] if self.structure.rates else [self._power]
        self._out = _Out(*(np.zeros((size, count)) for size in tape.outputs))
        self._entries = np.zeros((len(entries), count))
        cuts = np.linspace(0, count, -(-count // BLOCK) + 1).astype(np.intp)
        arena = np.zeros((tape.registers, int(np.diff(cuts).max())))
        self._linear: _Calls = []
        self._hessian: _Calls = []
        for first, last in pairwise(cuts):
            columns = (self._local, *self._fixed, *power, self._weights)
            every = [a[:, first:last] if a.ndim == 2 else a for a in columns]
            linear, more = bound(tape, every, [a[:, first:last] for a in self._out], arena[:, : last - first])
            self._linear += linear
            # Of several blocks, only the last one's registers are still there.
            self._hessian += more if cuts.size == 2 else [*linear, *more]

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
        """Work out all but the Hessian at x (n,); often it is there already."""
        if np.array_equal(x, self._taken):
            return
        self._taken = x.copy()
        local = self._gather(x, self._local)
        if not self.structure.rates:
            v = np.sqrt(0.5 * Z_SCALE * (local[4] + local[5]))
            self._power[0], self._power[1:] = v, self._drive.at(v)
        run(self._linear)
        self._spent = False

    def value(self, x: Array) -> tuple[float, Array]:
        """Objective and constraints (g,) at x (n,)."""
        self._take(x)
        return float(self._out.cost.sum()), self._with_ends(self._out.constraints, x)

    def linear(self, x: Array) -> tuple[float, Array, Array]:
        """Objective, its gradient (n,) and constraints (g,) at x; the Jacobian there serves the methods below."""
        value, rows = self.value(x)
        self._entries[...] = self._out.jacobian
        return value, self._scatter(self._out.slope), rows

    def _with_ends(self, rows: Array, x: Array) -> Array:
        body = rows.T.ravel()
        return body if self.structure.closed else np.concatenate([body, (self._ends[1] * x[self._ends[0]]).sum(axis=1)])

    def forward(self, step: Array) -> Array:
        """Jacobian (g, n) times a step (n,)."""
        local = self._gather(step, self._moved)
        rows = np.zeros((self.rows, self.count))
        for (row, column), entry in zip(self._stage.entries, self._entries):
            rows[row] += entry * local[column]
        return self._with_ends(rows, step)

    def back(self, weights: Array) -> Array:
        """Transposed Jacobian times weights (g,): (n,)."""
        rows = self._by_row(weights)
        local = np.zeros((LOCAL, self.count))
        for (row, column), entry in zip(self._stage.entries, self._entries):
            local[column] += entry * rows[row]
        total = self._scatter(local)
        if not self.structure.closed:
            np.add.at(total, self._ends[0], self._ends[1] * weights[-4:, None])
        return total

    def _by_row(self, weights: Array) -> Array:
        return weights[: self.rows * self.count].reshape(self.count, self.rows).T

    def newton(self, multipliers: Array, weights: Array) -> Array:
        """Lower band (n, REACH+1) of the Lagrangian's Hessian and of the Jacobian's weighted square
        ``Jᵀ·diag(weights)·J``, added up, at the x of the last :meth:`linear`, with no :meth:`value` elsewhere since."""
        self._weights[...] = self._by_row(multipliers)
        if self._spent:
            run(self._linear)
        run(self._hessian)
        self._spent = True  # it wrote over registers that it had read
        sums = dict(zip(self._stage.below, self._out.hessian))  # rewritten by the next run
        rows = self._by_row(weights)
        nonzeros = [(*place, entry) for place, entry in zip(self._stage.entries, self._entries)]
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

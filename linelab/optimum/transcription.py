"""The minimum-time problem of a whole track as one sparse programme for IPOPT, built once per shape.

The stage functions are mapped over all nodes and their derivatives scattered into the sparse Jacobian and Hessian
by constant index tables.  Building therefore costs the same for 100 and for 10 000 nodes, up to the tables; evaluation
is linear in the nodes.  Track, kart, mesh and bounds are numbers handed over at each solve.

IPOPT: A. Wächter & L. T. Biegler, "On the implementation of an interior-point filter line-search algorithm for
large-scale nonlinear programming", Mathematical Programming 106, 2006.  CasADi: J. A. E. Andersson et al., "CasADi: a
software framework for nonlinear optimization and optimal control", Math. Prog. Computation 11, 2019.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from typing import Any, NamedTuple

import casadi as ca
import numpy as np
from numpy.typing import NDArray

from linelab.model import grip
from linelab.optimum.stage import GAUSS_SIZE, RATE_SIZE, StageFunctions, Structure, stage_functions
from linelab.units import Array

Index = NDArray[np.intp]


#: Processor time after which IPOPT gives up [s], and more per interval: twice what its slowest success took.
LEAST_TIME, TIME_PER_INTERVAL = 10.0, 0.01
#: Rows of a stage's constraints that hold offsets.
OFFSET_ROWS = slice(2, 4)
#: Weights of the two coefficients beside the first and the last node in the rows that fix an open track's headings.
END_SIZE = 4


class Layout(NamedTuple):
    """Where things are in the programme's vectors."""

    path: int  #: number of coefficients of n, first in x
    speed: int  #: number of coefficients of z, last in x
    local: Index  #: (stages, local) position in x of each stage's variables
    stage_rows: int  #: constraints of the stages, first in g
    end_rows: int  #: then, on open tracks: heading and z at both ends


class Problem(NamedTuple):
    """A built problem."""

    structure: Structure
    layout: Layout
    make_solver: Callable[[bool, float, float], Any]  #: (warm, barrier parameter, processor time left [s])


def layout(structure: Structure) -> Layout:
    """Positions of the variables; on a closed track the coefficients wrap round."""
    stages, size = structure.stages, structure.intervals
    i = np.arange(stages)[:, None]
    if structure.closed:
        path, speed = size, size
        columns = [(i + k - 1) % size for k in range(4)] + [path + (i + k - 1) % size for k in range(3)]
    else:
        path, speed = size + 3, size + 2
        columns = [np.minimum(i + k, path - 1) for k in range(4)] + [
            path + np.minimum(i + k, speed - 1) for k in range(3)
        ]
    local = np.hstack(columns)
    return Layout(
        path,
        speed,
        local,
        stages * structure.constraints,
        0 if structure.closed else 4,
    )


def parameter_sizes(structure: Structure) -> tuple[int, int, int]:
    """Lengths of the parameter vector's parts: nodes, Gauss points, kart with driver and ends."""
    return structure.node_size * structure.stages, GAUSS_SIZE * structure.stages, grip.SIZE + RATE_SIZE + END_SIZE


class _Symbols(NamedTuple):
    x: Any
    p: Any
    mapped: list[Any]
    ends: Any  #: (4,) weights of the heading rows of an open track


def _symbols(structure: Structure, place: Layout) -> _Symbols:
    """Decision and parameter vectors, and the stage functions' mapped inputs."""
    nodes, gauss, kart = parameter_sizes(structure)
    x = ca.MX.sym("x", place.path + place.speed)
    p = ca.MX.sym("p", nodes + gauss + kart)
    stages = structure.stages
    w = ca.reshape(x[place.local.ravel().tolist()], place.local.shape[1], stages)
    node = ca.reshape(p[:nodes], structure.node_size, stages)
    follower = [min(i + 1, stages - 1) for i in range(stages - 1)] + [0 if structure.closed else stages - 1]
    after = node[:, follower] if structure.rates else node
    tail = p[nodes + gauss :]
    return _Symbols(
        x,
        p,
        [
            w,
            node,
            after,
            ca.reshape(p[nodes : nodes + gauss], GAUSS_SIZE, stages),
            tail[: grip.SIZE],
            tail[grip.SIZE : grip.SIZE + RATE_SIZE],
        ],
        tail[grip.SIZE + RATE_SIZE :],
    )


def _sum_matrix(rows: Index, count: int) -> Any:
    """Sparse matrix adding entry j of a vector into row rows[j]."""
    size = rows.size
    return ca.DM.triplet(rows.tolist(), list(range(size)), ca.DM.ones(size), count, size)


def _pattern(rows: Index, columns: Index, shape: tuple[int, int]) -> tuple[Any, Any]:
    """Compressed-column pattern of the given entries, and the matrix that adds them into its nonzeros."""
    keys, inverse = np.unique(columns * shape[0] + rows, return_inverse=True)
    sparsity = ca.Sparsity.triplet(*shape, (keys % shape[0]).tolist(), (keys // shape[0]).tolist())
    return sparsity, _sum_matrix(inverse.ravel(), keys.size)


def _end_rows(structure: Structure, place: Layout, weights: Any) -> Any:
    """Linear rows (4, nx) of an open track: heading and z at the first and the last node, row by row."""
    entries: list[tuple[int, int, Any]] = []
    last = structure.intervals
    for row, node in ((0, 0), (2, last)):
        entries += [(row, node, weights[row]), (row, node + 2, weights[row + 1])]
        entries += [(row + 1, place.path + node, 0.5), (row + 1, place.path + node + 1, 0.5)]
    i, j, value = zip(*entries)
    pattern = ca.Sparsity.triplet(4, place.path + place.speed, list(i), list(j))
    rows, columns = pattern.get_triplet()
    order = [list(zip(i, j)).index(entry) for entry in zip(rows, columns)]
    return ca.MX(pattern, ca.vertcat(*(ca.MX(value[k]) for k in order)))


@lru_cache(maxsize=32)
def build_problem(structure: Structure) -> Problem:
    """Build (or fetch) the programme of a shape."""

    def make_solver(warm: bool, barrier: float, left: float) -> Any:
        most = LEAST_TIME + TIME_PER_INTERVAL * structure.intervals
        # in powers of two: solvers are kept
        return _solver(structure, warm, barrier, most if left >= most else 2.0 ** np.floor(np.log2(left)))

    return Problem(structure, layout(structure), make_solver)


@lru_cache(maxsize=16)
def stage_of(one: Structure) -> StageFunctions:
    """Stage functions; they do not depend on the number of intervals."""
    return stage_functions(one)


def _mapped(function: Any, name: str, count: int, fixed: list[int]) -> Any:
    """A stage function over all stages."""
    return function.map(f"{name}_map", "serial", count, fixed, [])


def _oracle(structure: Structure, place: Layout, stage: StageFunctions, symbols: _Symbols) -> dict[str, Any]:
    """Objective and constraints as expressions."""
    fixed = [4, 5]
    count = structure.stages
    cost, _ = _mapped(stage.cost, "cost", count, fixed)(*symbols.mapped)
    g = ca.vec(_mapped(stage.constraints, "constraints", count, fixed)(*symbols.mapped))
    if place.end_rows:
        g = ca.vertcat(g, _end_rows(structure, place, symbols.ends) @ symbols.x)
    return {"x": symbols.x, "p": symbols.p, "f": ca.sum2(cost), "g": g}


def _derivatives(structure: Structure, place: Layout, stage: StageFunctions, symbols: _Symbols) -> dict[str, Any]:
    """Gradient, Jacobian and Hessian functions in the form IPOPT's interface asks for."""
    fixed, count = [4, 5], structure.stages
    nx, rows = symbols.x.numel(), place.stage_rows + place.end_rows
    local = place.local
    cost, slopes = _mapped(stage.cost, "slope", count, fixed)(*symbols.mapped)
    gradient = _sum_matrix(local.ravel(), nx) @ ca.vec(slopes)
    i, j = (np.array(t, dtype=np.intp) for t in stage.jacobian_sparsity.get_triplet())
    stage_row = (structure.constraints * np.arange(count)[:, None] + i).ravel()
    stage_column = local[:, j].ravel()
    held, entries = _mapped(stage.jacobian, "jacobian", count, fixed)(*symbols.mapped)
    g, values = ca.vec(held), ca.vec(entries)
    if place.end_rows:
        ends = _end_rows(structure, place, symbols.ends)
        end_i, end_j = (np.array(t, dtype=np.intp) for t in ends.sparsity().get_triplet())
        stage_row = np.concatenate([stage_row, place.stage_rows + end_i])
        stage_column = np.concatenate([stage_column, end_j])
        g, values = ca.vertcat(g, ends @ symbols.x), ca.vertcat(values, ends.nz[:])
    pattern, adder = _pattern(stage_row, stage_column, (rows, nx))
    jacobian = ca.MX(pattern, adder @ values)
    lam_f, lam_g = ca.MX.sym("lam_f"), ca.MX.sym("lam_g", rows)
    spread = ca.reshape(lam_g[: place.stage_rows], structure.constraints, count)
    curved = _mapped(stage.hessian, "hessian", count, [*fixed, 6])(*symbols.mapped, lam_f, spread)
    i, j = (np.array(t, dtype=np.intp) for t in stage.hessian_sparsity.get_triplet())
    a, b = local[:, i].ravel(), local[:, j].ravel()
    upper, upper_adder = _pattern(np.minimum(a, b), np.maximum(a, b), (nx, nx))
    hessian = ca.MX(upper, upper_adder @ ca.vec(curved))
    x, p = symbols.x, symbols.p
    return {
        "grad_f": ca.Function("nlp_grad_f", [x, p], [ca.sum2(cost), gradient], ["x", "p"], ["f", "grad_f_x"]),
        "jac_g": ca.Function("nlp_jac_g", [x, p], [g, jacobian], ["x", "p"], ["g", "jac_g_x"]),
        "hess_lag": ca.Function(
            "nlp_hess_l", [x, p, lam_f, lam_g], [hessian], ["x", "p", "lam_f", "lam_g"], ["triu_hess_gamma_x_x"]
        ),
    }


@lru_cache(maxsize=64)
def _solver(structure: Structure, warm: bool, barrier: float, seconds: float) -> Any:
    """IPOPT on the programme; a warm one starts from given multipliers with a small barrier."""
    place = layout(structure)
    stage = stage_of(replace(structure, intervals=1))
    symbols = _symbols(structure, place)
    options: dict[str, Any] = {
        **_derivatives(structure, place, stage, symbols),
        "print_time": False,
        "no_nlp_grad": True,
        "calc_lam_p": False,
        "error_on_fail": False,
        "record_time": False,
        "ipopt.print_level": 0,
        "ipopt.sb": "yes",
        "ipopt.tol": 3e-6,
        "ipopt.constr_viol_tol": 1e-7,
        "ipopt.max_iter": 300,
        # a solution that stalls a little short of tol is taken: its lap is verified all the same
        "ipopt.acceptable_tol": 1e-4,
        "ipopt.acceptable_iter": 10,
        "ipopt.acceptable_dual_inf_tol": 1e-3,
        "ipopt.acceptable_constr_viol_tol": 1e-6,
        "ipopt.acceptable_compl_inf_tol": 1e-5,
        "ipopt.mu_init": barrier,
        "ipopt.max_cpu_time": float(seconds),
        "ipopt.bound_relax_factor": 1e-9,
    }
    if warm:
        options |= {
            "ipopt.warm_start_init_point": "yes",
            "ipopt.warm_start_bound_push": 1e-6,
            "ipopt.warm_start_mult_bound_push": 1e-6,
            "ipopt.warm_start_slack_bound_push": 1e-6,
            "ipopt.max_iter": 120,
        }
    return ca.nlpsol("minimum_time", "ipopt", _oracle(structure, place, stage, symbols), options)


def bounds_template(structure: Structure) -> tuple[Array, Array]:
    """Lower and upper constraint bounds (g,) with the offsets' rows left open."""
    place = layout(structure)
    low = np.full((structure.stages, structure.constraints), -np.inf)
    high = np.zeros((structure.stages, structure.constraints))
    high[:, OFFSET_ROWS] = np.inf
    if structure.rates and not structure.closed:
        high[-1, 4:] = np.inf  # the last node has no following interval
    ends = np.full(place.end_rows, np.inf)
    return np.concatenate([low.ravel(), -ends]), np.concatenate([high.ravel(), ends])

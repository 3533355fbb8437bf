"""CasADi's scalar functions run on whole arrays.

A CasADi function of scalars is a list of elementary operations.  Run one after the other by NumPy, each over all the
stages of a lap at once, they give the same numbers, to the last bit, in a fraction of the time that mapping the
function stage by stage takes.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import casadi as ca
import numpy as np

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

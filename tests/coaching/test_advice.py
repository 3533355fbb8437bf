"""What is to be worked on: which order the stakes tell, and what is said of a near miss."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from linelab.coaching import advice as module
from linelab.coaching.advice import order_certain, priorities
from linelab.coaching.results import Priority
from linelab.measured import Measured
from linelab.output.display import evidence_text


def item(value, sigma=0.02, title="Brake a little later in corner 1"):
    return Priority(
        rank=0, kind="brakes_early", title=title, corners=(1,), at_stake=Measured(value, sigma), evidence=(), feel="",
        exercise="",
    )  # fmt: skip


def test_an_order_is_certain_where_the_stakes_are_apart():
    assert order_certain([item(0.48), item(0.28), item(0.20)])
    assert not order_certain([item(0.48), item(0.28), item(0.26)])
    assert order_certain([item(0.48)])


@dataclass
class _Found:
    """Something significant of a kind, as far as the ranking asks."""

    kind: str
    significant: bool = True


@pytest.mark.parametrize(
    ("stakes", "close"),
    [
        ((0.5, 0.3, 0.20, 0.19, 0.05), (1, 1)),
        ((0.5, 0.3, 0.20, 0.19, 0.05, 0.045), (1, 1)),
        ((0.5, 0.3, 0.20, 0.19, 0.18), (2, 0)),
        ((0.5, 0.3, 0.20, 0.15), (0, 1)),
        ((0.5, 0.3), (0, 0)),
    ],
)
def test_what_had_no_room_is_named_and_whether_its_place_is_certain(monkeypatch, stakes, close):
    made = {f"kind {k}": item(stake, title=f"Do thing {k}") for k, stake in enumerate(stakes)}
    monkeypatch.setattr(module, "_priority", lambda analysis, marked, finding: made[finding.kind])
    monkeypatch.setattr(module, "scatter_priority", lambda analysis, marked, own: None)
    monkeypatch.setattr(module, "own_pass_priorities", lambda analysis, marked, own: {})
    told = priorities(None, None, [_Found(kind) for kind in reversed(made)], ())
    assert [one.rank for one in told] == list(range(1, min(len(stakes), 3) + 1))
    assert [one.at_stake.value for one in told] == list(stakes[:3])
    assert [one.close for one in told[:-1]] == [()] * (len(told) - 1)
    said = [evidence_text(line) for line in told[-1].close]
    assert len(said) == sum(close)
    assert (
        tuple(sum(line.startswith(begin) for line in said) for begin in ("Worth about as much", "After these")) == close
    )
    if close[0]:
        assert said[0] == "Worth about as much: do thing 3 (0.19 ±0.04 s a lap)."

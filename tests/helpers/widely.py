"""Cases of a test that run with the wide sweeps only."""

from __future__ import annotations

from collections.abc import Container, Iterable
from typing import Any

import pytest


def widely(cases: Iterable[Any], always: Container[Any]) -> list[Any]:
    """The cases of a parametrised test: those in ``always`` with every run, the others marked slow."""
    return [case if case in always else pytest.param(case, marks=pytest.mark.slow) for case in cases]

"""Recorded laps held against the reference lap.

The package itself is callable: ``linelab.compare(track, reference, driven, kart)`` is
:func:`linelab.compare.compare.compare`.  The public function and the package share a name, and importing any module of
the package would otherwise hide the function behind it.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any


class _CallablePackage(ModuleType):
    def __call__(self, *args: Any, **kwargs: Any) -> Any:
        from linelab.compare.compare import compare

        return compare(*args, **kwargs)


sys.modules[__name__].__class__ = _CallablePackage

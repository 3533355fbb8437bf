"""What a benchmark prints first, and where it finds its inputs."""

from __future__ import annotations

import os
import platform
import resource
import sys
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def surroundings(*packages: str) -> str:
    """Hardware, system and versions of the packages named, on one line."""
    names = ("linelab", "numpy", "casadi", *packages)
    cores = os.cpu_count()
    head = (
        f"{platform.system()} {platform.machine()}, {_processor()}, {cores} cores, Python {platform.python_version()}"
    )
    return ", ".join([head, *(f"{name} {_version(name)}" for name in names)])


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "(checkout)" if name == "linelab" else "(not installed)"


def _processor() -> str:
    """Model of the processor where the system tells it."""
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return platform.processor() or "unknown processor"
    names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return names[0] if names else platform.processor() or "unknown processor"


def shared_circuits() -> list[Path]:
    """Real circuits with widths outside the project, where they are present (variable LINELAB_SHARED, or ../shared)."""
    folder = Path(os.environ.get("LINELAB_SHARED", ROOT.parent / "shared")) / "data" / "circuits_xyw" / "tracks"
    return sorted(folder.glob("*.csv"))


def peak_memory() -> float:
    """Largest resident memory of this process so far [bytes]."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return float(peak if sys.platform == "darwin" else peak * 1024)

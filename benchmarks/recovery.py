"""How well a recording gives back the lap, by sampling rate and noise, beside reading the raw samples.

Sessions of the simulated driver on the bundled circuits, logged with white noise and no bias; errors are those of
tests/helpers/recovered.py.  Then the same noise with a drifting bias, without lag, and without a speed channel;
last, what a speed worked out from positions loses on tight bends.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable
from itertools import chain

import numpy as np
from simulated_sessions import Circuit, circuits, random_session
from surroundings import ROOT, surroundings

from linelab.drive.receiver import Receiver

sys.path.insert(0, str(ROOT / "tests" / "helpers"))

from recovered import NAMES, Errors, joined, recover, tight

RATES = (5.0, 10.0, 18.18, 25.0)
WHITE = (0.05, 0.15, 0.3, 0.6)
UNITS = {"speed": "m/s", "apex": "m", "brake": "m", "drive": "m", "lap time": "s"}


def measured(made: list[Circuit], receiver: Receiver, laps: int) -> Errors:
    """Errors over one session at each circuit."""
    errors = []
    for number, circuit in enumerate(made):
        rng = np.random.default_rng([number, 11])
        errors.append(
            recover(random_session(circuit, laps, rng), circuit.kart, circuit.reference, receiver, seed=number)
        )
    return joined(errors)


def line(name: str, errors: Errors) -> str:
    """One row: estimated and raw, root mean square and typical size."""
    rms, typical = errors.rms(), errors.typical()
    cells = [f"{rms[key][0]:7.3f}{rms[key][1]:7.3f}{typical[key][0]:7.3f}{typical[key][1]:7.3f}" for key in NAMES]
    return f"{name:38s}" + " |".join(cells)


def table(made: list[Circuit], laps: int) -> Iterable[str]:
    """Rows by rate and noise."""
    yield f"{'':38s}" + " |".join(f"{f'{name} [{UNITS[name]}]':>28s}" for name in NAMES)
    yield f"{'':38s}" + " |".join(f"{'rms':>7s}{'raw':>7s}{'typical':>7s}{'raw':>7s}" for _ in NAMES)
    for rate in RATES:
        for white in WHITE:
            receiver = Receiver(rate=rate, white=white, bias=0.0, speed_noise=0.15, latency=0.15)
            yield line(f"{rate:g} Hz, {white:g} m", measured(made, receiver, laps))
    for name, change in {
        "18.18 Hz, 0.3 m, bias 0.5 m": {"bias": 0.5, "speed_noise": 0.15, "latency": 0.15},
        "18.18 Hz, 0.3 m, no lag": {"bias": 0.0, "speed_noise": 0.15},
        "18.18 Hz, 0.3 m, no speed channel": {"bias": 0.0, "with_speed": False, "with_course": False},
    }.items():
        yield line(name, measured(made, Receiver(rate=18.18, white=0.3, **change), laps))


def tight_table(made: list[Circuit], laps: int) -> Iterable[str]:
    """What a speed worked out from positions loses on bends below 8 m radius, and what the estimate does."""
    rental = next(circuit for circuit in made if circuit.track.name.startswith("Tinmarsh"))
    session = random_session(rental, laps, np.random.default_rng(12))
    yield f"{'speed from positions, bends < 8 m':38s}{'channel':>10s}{'chord':>10s}{'estimate':>10s}   mean [m/s]"
    for rate in (5.0, 10.0, 20.0):
        for over in (0.0, 0.5, 1.0):
            receiver = Receiver(rate=rate, white=0.05, bias=0.0, derived_over=max(over, 1.0 / rate), with_course=False)
            off = [values.mean() for values in tight(session, receiver)]
            name = f"{rate:g} Hz, over {'a sample' if over == 0.0 else f'{over:g} s'}"
            yield f"{name:38s}" + "".join(f"{value:10.3f}" for value in off)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--laps", type=int, default=4, help="flying laps at each circuit and row")
    options = parser.parse_args()
    print(surroundings("scipy"))
    made = circuits(0)
    begin = time.process_time()
    for row in chain(table(made, options.laps), tight_table(made, options.laps)):
        print(row, flush=True)
    print(f"{time.process_time() - begin:.0f} s of processor time")


if __name__ == "__main__":
    main()

"""What a coach says about a habit, in words a fourteen-year-old driver understands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from linelab.coaching.kinds import FaultKind


@dataclass(frozen=True, kw_only=True, slots=True)
class Advice:
    """An instruction (``{where}`` is "in corner 3"), what to feel or look for, and one exercise."""

    title: str
    feel: str
    exercise: str


ADVICE: dict[FaultKind, Advice] = {
    "apex_missed": Advice(
        title="Get closer to the inside edge {where}",
        feel="At the tightest point the inside wheels should run right beside the edge or kerb. If you could still put "
        "a helmet between wheel and kerb, you are too far out.",
        exercise="Three laps at nine tenths of your pace: look at the apex before you turn, and touch it every time. "
        "Only then go faster.",
    ),
    "turns_in_early": Advice(
        title="Turn in a little later {where}",
        feel="If you have to wind on more steering after the apex, or run out of road at the exit, you turned in too "
        "soon.",
        exercise="Pick something fixed beside the track for your turn-in, a kart's length later than now. Keep it for "
        "five laps before you judge it.",
    ),
    "exit_unused": Advice(
        title="Use all of the road on the way out {where}",
        feel="Unwind the wheel as the power comes in, and let the kart run out to the edge. A kart held in is slow.",
        exercise="Three laps at nine tenths of your pace: look at the outside edge from the apex on and let the kart "
        "run there. Only then go faster.",
    ),
    "line_other": Advice(
        title="Work on your line {where}",
        feel="One smooth turn of the wheel, wide on the way in, close at the apex, and all the road on the way out.",
        exercise="Walk the corner, then drive three slow laps using all of the road on entry and exit, and build up.",
    ),
    "brakes_early": Advice(
        title="Brake a little later {where}",
        feel="If the kart is already slow enough and you wait for the corner, you braked too early.",
        exercise="Move your braking mark one long stride later every two laps. Stop when you can no longer reach the "
        "apex, and go back one step.",
    ),
    "brakes_softly": Advice(
        title="Brake harder, and for less time, {where}",
        feel="A firm first push, just short of locking, then let go smoothly as you turn. A soft, long push wastes "
        "track.",
        exercise="On a clear straight: five stops from the same mark, each a little firmer, without locking a wheel. "
        "Then use that first push for the corner.",
    ),
    "coasts": Advice(
        title="Stay on the power until you brake {where}",
        feel="There should be no quiet moment before the corner: from power straight to brake, or to the turn.",
        exercise="Five laps listening to the engine only: the sound must not fade before you brake. Keep the brake "
        "mark where it is at first.",
    ),
    "too_slow_in_corner": Advice(
        title="Carry more speed through the middle {where}",
        feel="If the tyres are quiet and the steering light in the middle of the corner, there is grip you do not use.",
        exercise="Let go of the brake a little earlier for three laps, same braking mark; feel whether the kart still "
        "holds the line. Build up step by step.",
    ),
    "power_late": Advice(
        title="Back on the power sooner {where}",
        feel="As soon as you can unwind the steering, the power comes in. A kart that only rolls at that point is "
        "losing time down the whole straight.",
        exercise="Say 'now' aloud at the moment you start to unwind the wheel, and squeeze the pedal with the word. "
        "Five laps.",
    ),
    "power_abrupt": Advice(
        title="Squeeze the power in gently {where}",
        feel="If the kart steps sideways or the engine note jumps and sags again, the power came too suddenly.",
        exercise="Take two heartbeats from no power to full power for five laps, then shorten it as long as the kart "
        "stays quiet.",
    ),
    "slide": Advice(
        title="Keep the kart from sliding {where}",
        feel="A slide feels fast and is slow: the back moves out, the engine note drops and you wait for it.",
        exercise="Enter slightly slower and turn the wheel more slowly for five laps; look for the lap in which "
        "nothing slides, and compare its time.",
    ),
    "scatter": Advice(
        title="Do the same thing every lap",
        feel="Same braking mark, same turn-in, same apex: a good lap should feel boring.",
        exercise="Ten laps a little below your usual pace in which no corner goes wrong and the time is the same to a "
        "tenth; only then take the pace up again, step by step.",
    ),
}

#: The same where a corner is driven without the brake, by the driver and on the ideal lap alike.
UNBRAKED: dict[FaultKind, Advice] = {
    "coasts": Advice(
        title="Stay on the power longer {where}",
        feel="There should be no quiet moment before the corner: the engine pulls until the kart has to slow down.",
        exercise="Five laps listening to the engine only. Lift a kart's length later every two laps; stop when you can "
        "no longer reach the apex, and go back one step.",
    ),
    "too_slow_in_corner": Advice(
        title=ADVICE["too_slow_in_corner"].title,
        feel=ADVICE["too_slow_in_corner"].feel,
        exercise="Lift at the same place, but a little less, for three laps; feel whether the kart still holds the "
        "line. Build up step by step.",
    ),
}


def corners_text(numbers: tuple[int, ...]) -> str:
    """ "in corner 3", "in corners 3, 5 and 8"."""
    return f"in corner{'s' if len(numbers) > 1 else ''} {listed([str(number) for number in numbers])}"


def listed(items: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}"


def labels_text(labels: Sequence[str]) -> str:
    """Labels of laps: "lap 3", "laps 3, 5 and 8"; labels that are not numbered laps are listed as they are."""
    numbers = [label.removeprefix("lap ") for label in labels]
    if len(labels) > 1 and all(label.startswith("lap ") for label in labels):
        return f"laps {listed(numbers)}"
    return listed(labels)


def laps_text(shown: int, laps: int, name: str = "lap") -> str:
    """How many laps show it; of a single lap nothing is said of others."""
    if laps == 1:
        return f"on this {name}"
    return f"on every {name}" if shown == laps else f"on {shown} of {laps} {name}s"

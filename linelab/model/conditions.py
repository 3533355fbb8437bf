"""What the weather does to the grip: dry, damp, drying and wet, on slicks or on wet tyres.

Every factor is relative to the kart file's grip, which is that of a kart on slicks on the dry line that karts drive.
There is no published measurement of a kart's tyres on wet asphalt to take them from; they are common practice and
memory, and the largest unknown of a wet lap:

- **Asphalt.**  Slicks keep a little under half of their dry grip on a wet track, and about six tenths on a damp one;
  wet tyres lose much less, and keep 0.70 to 0.75 (memory).  On a dry track wet tyres grip less than slicks and overheat
  (memory).
- **The groove**, where rubber has been laid down and worked into the surface.  Dry, it is the best place; with water on
  it, it is the slippery one, because the rubber fills the texture that tyres need through water.  That is why karts in
  the rain keep off the dry line, on the coarse asphalt beside it (common practice).  A drying track dries there first.
- **Marbles**, the loose rubber beside the groove, are washed away by rain: in the wet there is only asphalt (memory).
- **Kerbs** are painted, and keep about half of the wet asphalt's grip (memory).  A kart with one side on such a kerb
  turns round its other side; a point mass cannot show that, so that a computed lap keeps off the kerbs in all
  conditions but the dry (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from linelab.errors import InputError

Weather = Literal["dry", "damp", "drying", "wet"]
Tyres = Literal["slicks", "wets"]
#: Least and greatest plain factor on the kart file's grip for a whole lap [-]: wider than tyres and ground ever differ,
#: so that a figure beyond it is a mistake.
GRIP_RANGE = (0.05, 3.0)
WEATHERS: tuple[Weather, ...] = get_args(Weather)
TYRES: tuple[Tyres, ...] = get_args(Tyres)


@dataclass(frozen=True, kw_only=True, slots=True)
class Conditions:
    """Factors on the kart file's mu by kind of ground, for one weather and one sort of tyres.

    Parameters
    ----------
    weather, tyres : str
    asphalt : float
        Of the road outside the groove [-]; of all of the road where no groove is known.
    groove : float
        Of the rubbered groove [-].
    kerb : float
        Of kerbs, times their own factor and the asphalt's [-].
    use_kerbs : bool
        Whether a computed lap may run over kerbs.

    Raises
    ------
    InputError
        A factor out of range.

    Examples
    --------
    >>> from linelab.model.conditions import conditions
    >>> conditions("wet", "wets").asphalt > conditions("wet", "slicks").asphalt
    True
    >>> conditions("wet").groove < conditions("wet").asphalt
    True
    """

    weather: Weather
    tyres: Tyres
    asphalt: float
    groove: float
    kerb: float
    use_kerbs: bool = False

    def __post_init__(self) -> None:
        for name in ("asphalt", "groove", "kerb"):
            value = getattr(self, name)
            if not 0.1 <= value <= 2.0:
                raise InputError(f"{name} factor {value} is outside 0.1 to 2", where="Conditions")

    @property
    def needs_groove(self) -> bool:
        """Whether it matters where the groove lies."""
        return self.groove != self.asphalt


#: Asphalt, groove, kerbs, and whether kerbs are used; from memory and common practice, see the top of this module.
_FACTORS: dict[tuple[Weather, Tyres], tuple[float, float, float, bool]] = {
    ("dry", "wets"): (0.85, 0.85, 1.0, True),
    ("damp", "slicks"): (0.60, 0.54, 0.65, False),
    ("damp", "wets"): (0.75, 0.70, 0.65, False),
    ("drying", "slicks"): (0.48, 0.80, 0.55, False),
    ("drying", "wets"): (0.73, 0.80, 0.55, False),
    ("wet", "slicks"): (0.45, 0.36, 0.50, False),
    ("wet", "wets"): (0.72, 0.61, 0.50, False),
}


def conditions(weather: str, tyres: str = "slicks") -> Conditions | None:
    """The conditions by their words; None for slicks in the dry, which is what tracks and kart files describe.

    Raises
    ------
    InputError
        Other words.
    """
    for what, word, known in (("weather", weather, WEATHERS), ("tyres", tyres, TYRES)):
        if word not in known:
            raise InputError(f"{what} {word!r} is not known", where="conditions", remedy=f"Use {', '.join(known)}")
    factors = _FACTORS.get((weather, tyres))  # type: ignore[arg-type]
    if factors is None:
        return None
    asphalt, groove, kerb, use_kerbs = factors
    return Conditions(
        weather=weather,  # type: ignore[arg-type]
        tyres=tyres,  # type: ignore[arg-type]
        asphalt=asphalt,
        groove=groove,
        kerb=kerb,
        use_kerbs=use_kerbs,
    )

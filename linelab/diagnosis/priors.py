"""What is taken to be likely of drivers before a session is looked at, and the tolerances of the fit: all of them.

Sizes of habits have exponential priors of these scales, the manner they are done in and the session's numbers normal
ones.  They were chosen from common practice of the trade (pedals take one to three tenths of a second, karts of a class
differ by some per cent) and hold for every kart, track and receiver.
"""

from __future__ import annotations

import numpy as np

#: Slow places: how much the line's ideal speed stands out there [m/s], and how far they lie apart [m].
LEAST_PROMINENCE, LEAST_APART = 0.2, 12.0
#: Way for which a misfit of speed counts once [m]: what receivers and feet round.
SPACING = 2.0
#: Degrees of freedom of Student's t distribution of misfits: a few are large.
TAIL = 6.0
#: What the model may be off by: speed [m/s], and time between the slow places before and after [s].
SPEED, TIME = 0.1, 0.03

#: What is lost to a slide is more than what the kart is slower by: the engine goes on pushing all the while.
#:                 early  soft  coast  slow  late  lost  where  grip  when  rolls lasts foot eases until
SCALE = np.array([5.0, 0.2, 0.35, 0.8, 0.3, 3.0, 3.0, 0.015, 0.35, 0.5, 0.15, 1.0, 0.15, 15.0])
MIDDLE = np.array([0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.25, 0.5, 0.3, 0.0, 0.0, 0.0])
LOWEST = np.array([0.0, 0.0, 0.0, 0.0, 0.0, 0.0, -8.0, -0.06, -0.6, 0.0, 0.15, 0.0, 0.0, -60.0])
HIGHEST = np.array([18.0, 1.5, 4.0, 6.0, 4.0, 14.0, 4.0, 0.06, 1.5, 1.0, 1.0, 2.0, 1.0, 0.0])
#: A corner lasts as long as the line is tighter than this share of the curvature at its slowest place [-], at most so
#: far [m].
NEARLY, LONGEST_CORNER = 0.6, 60.0
#: A corner's own grip where neither its ground nor the line is surveyed, or the kart file does not fit [-]: a camber of
#: five per cent, a crest and another asphalt make three per cent each.
UNSURE = 0.05
#: A corner's own grip is never lower than this, however little its line shows [-].
LEAST_GRIP = -0.5
#: A loss of speed by the foot is made of flanks, most is cut off: so much larger than what is lost [-].
CUT_OFF = 2.0
#: Steps of numerical derivatives, and the longest steps of a fit.
STEP = np.array([0.3, 0.03, 0.04, 0.1, 0.04, 0.1, 0.4, 0.005, 0.05, 0.1, 0.03, 1.0, 0.05, 0.5])
LONGEST = np.array([8.0, 0.3, 0.5, 1.0, 0.5, 2.0, 3.0, 0.02, 0.3, 0.4, 0.15, 0.0, 0.2, 8.0])
#: Where a fit begins with a habit.
BEGIN = np.array([5.0, 0.3, 0.5, 1.0, 0.6, 2.0])
#: Smaller than this a habit is none.
NONE = np.array([0.2, 0.02, 0.02, 0.05, 0.02, 0.05])
#: What a habit must improve the misfit by, beyond what its numbers being known more narrowly costs: twice the logarithm
#: of the odds against one habit in one corner, about one in five [-].
PRICE = 3.0

#: Session numbers:         grip  brake drive roll pedal build
SESSION_MIDDLE = np.array([0.96, 0.97, 1.0, 1.0, 0.1, 0.1])
SESSION_SCALE = np.array([0.1, 0.15, 0.1, 0.3, 0.08, 0.15])
SESSION_LOWEST = np.array([0.5, 0.3, 0.4, 0.2, 0.0, 0.0])
SESSION_HIGHEST = np.array([1.4, 1.6, 2.0, 3.0, 0.3, 0.6])
SESSION_STEP = np.array([0.005, 0.02, 0.01, 0.05, 0.02, 0.04])
#: What the model may be off by in them, besides the fit's own errors: the same laps read with another stated error of
#: the positions, or another beginning of the clock, showed about as much.
SESSION_ERROR = np.array([0.01, 0.03, 0.02, 0.05, 0.02, 0.05])
SESSION_LONGEST = np.array([0.05, 0.15, 0.1, 0.2, 0.06, 0.1])

#: What the engine force that the straights show may be off by besides their scatter [-].
POWER = 0.03

#: Habits reach back from a place by this [m] and the way of a gentle slowing from the highest speed before it [m/s²],
#: and on from it for this long [s].
AHEAD, GENTLE, BEHIND = 40.0, 5.0, 4.0

#: What a stake may be off by besides the laps' scatter: a share of it, and a time [s]; judges unlike the model show it.
MODEL_SHARE, MODEL_TIME = 0.2, 0.03
#: Ground whose height is not known: its shortest wave [m], the standard deviations beforehand of its slope [rad] and of
#: the grip that camber and crests add or take [-], and how many waves that counts for.  In the spectra of roads the
#: height's power falls with the square of the wave number (ISO 8608): slopes of all waves are about equally strong.
GROUND_WAVE, GROUND_SPREAD, GROUND_COUNT = 60.0, (0.015, 0.01), 4.0
#: What the stake of a slide may be off by there, in place of the model's share and time: camber and crests shorter than
#: those waves slow a kart in a corner as a slide does.
GROUND_SHARE, GROUND_TIME = 0.3, 0.06
#: Share of a line's stake that goes with its place across the road.
PLACE_SHARE = 0.5
#: A stake is said where it is so many standard deviations clear of none; a cause without a rival from this weight on.
CLEAR, SURE = 2.1, 0.9

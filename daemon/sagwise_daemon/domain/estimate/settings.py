"""Every number the estimator is built on, with its reason. Law: no other file of this room holds a tuned figure.

"Tuned" figures were set on simulated rides of published cell models (tests/truth/make.py) and
judged on rides kept apart. Currents are in C (amperes over ampere-hours), resistances in volts per C.
"""

from __future__ import annotations

REST_HORIZON_S = 60.0  # the contract's meaning of rest: 60 s at zero current

# --- what is taken from a reading
CURRENT_HOLD_S = 0.5  # the contract: the last value holds for at most this
TEMPERATURE_TAU_S = 20.0  # sensors sit on cans, and lag the inside by about this
ASSUMED_TEMPERATURE_C = 25.0  # without a sensor
NO_TEMPERATURE_FACTOR = 1.3  # on sigma then: ten degrees either way change resistance by about a third
PLAUSIBLE_V = (0.5, 0.5)  # a reading under half of empty or 0.5 V over full is a broken lead, not a cell
CURRENT_CHANGE_TAU_S = 0.3  # how long a change of current is doubtful: sensors lag by 0.1 to 0.3 s
LEARN_EVERY_S = 0.07  # readings closer than this are told, not learnt from: their noise is not their only error
NOMINAL_STEP_S = 0.1  # noise figures hold at 10 Hz; at a faster rate they are spread over the samples

# --- start, gaps
REST_C = 0.10  # below this the pack rests: an idling controller's 0.01C and a small sensor's offset
REST_TAU_S = 1.0  # noise of the current sensor must not look like load
REST_NEEDED_S = 10.0  # by then the 2 s element is gone
REST_WINDOW_S = 2.0  # first and last part of the rest whose difference shows whether the cell still recovers
SHORT_REST_S = 1.0
DRIFT_SEEN_V = 0.001  # less is the converter's noise
DRIFT_GAIN = 15.0  # a 150 s recovery moves by 1/19 of its height in the 8 s between the two windows
SHORT_GAP_S = 3.0  # bridged by one step of the true length
LONG_GAP_S = 120.0  # after it the pack may have rested, been charged or ridden: begin anew
GAP_CURRENT_C = 3.0  # what may have flowed unseen, standard uncertainty
GAP_SIGMA_V = 0.020  # unseen slow polarisation after a gap
LOADED_START_SIGMA_V = 0.040  # hidden slow polarisation of a ride already under way: 50 to 140 mV when cold, fading
LOADED_SIGMA_SHARE = 0.162  # of the slow elements' after a rest, or what is still hidden is taken for them (tuned)
LOADED_OFFSET_TAU_S, LOADED_WALK_OFFSET_V, LOADED_NOISE = 20.1, 0.000106, 0.381  # the filter's own, then (fitted)
LOADED_CHARGE_OF_SLOW = 0.7  # of the slow drop may be charge, and of the charge slow drop: up to 160 mV were, when cold
SHORT_REST_SIGMA_V = 0.015
LOADED_WAIT_S = 60.0  # under load, wait this long for steps that measure the resistance: better than any prior
LOADED_SLOW_DROP, LOADED_SLOW_S = 0.6, 20.0  # slow drop over the 1 s resistance, on the current of so long (tuned)
LOADED_SIGMA_OF_DROP = 0.3
LOADED_START_PEER_SIGMA = 0.03  # groups of one pack lie within a few per cent of each other
SCALE_WITHIN_S = 180.0  # a ride that shows no three steps by then is too gentle for its resistance to matter
UNSCALED_SIGMA_OF_GAP = 0.6  # of the distance between equilibrium and rest, while only the prior is known
KNOWN_AFTER_S = 5.0  # filters need some load changes before their sigma means anything
KNOWN_SIGMA_V = 0.060  # above this the loaded voltage with its delay is the better guide
# After a start under load slow polarisation looks like charge, which is never surer than this over the curve's slope
# (tuned).
LOADED_CHARGE_FLOOR_V = 0.00326
CURVE_SIGMA_V = 0.004  # no voltage tells the charge better than the curve itself is known
# But to the filter charge means what the curve says of a rested voltage, whatever the cell holds: it begins with this
# share of that doubt. Where the curve is flat, slow drop was else taken for charge, 6 % of it on a cold ride. Of the
# charge that is said the whole doubt is told.
START_READ_SHARE = 0.375
SOC_KNOWN_SIGMA = 0.06  # a charge less certain is not said: on the plateau of LFP 3 mV are 6 %
SOC_SIGMA_CAP = 0.3  # what is not known at all: uniform over the whole charge

# --- the common filter on the median group. What is marked "fitted" was found together, by a search over some 170
# simulated rides of published cells and of such with particles up to half as large again, and lies a third of the way
# from there to what a second search over 100 rides found (docs/results/estimation.md).
# Slow elements, fixed in time, so that the model stays linear in R: charge transfer's tail, electrolyte, particles,
# and what takes longer than a ride (fitted).
TAU_S = (2.0, 14.1, 80.6, 489.0)
SLOW_SHARES = (0.0252, 0.115, 0.253, 0.0986)  # first values over the prior 1 s resistance (fitted) ...
SLOW_LAGS = (0.00125, 0.00753, 0.00519, 0.00109)  # ... and added: charge per C by which diffusion lags (fitted)
INSIDE_SHARES = (0.0, 0.0, 0.478, 0.0)  # of each acts inside the curve, OCV(z − δ): near empty the curve bends (fitted)
# Where the curve's mean slope, volts from empty to full, is less than this, other figures hold: LFP's is about 0.2, one
# cobalt cell's 0.3, all others' 0.7 and more. Found in searches of their own, over rides of the two published cells
# with such a curve and of such with other particles (fitted): most of what is slow acts inside the curve.
FLAT_SLOPE = 0.35
FLAT_SLOW_SHARES, FLAT_SLOW_LAGS = (0.0246, 0.0713, 0.0939, 0.0763), (0.00239, 0.0153, 0.0144, 0.000644)
FLAT_INSIDE_SHARES, FLAT_SIGMA_SLOW = (0.0, 0.663, 0.917, 0.981), (0.687, 0.306, 0.275, 0.963)
# Powers of the temperature's factor: diffusion in the particles slows down more in the cold than all else (fitted).
SLOW_POWERS, FAST_POWER = (0.929, 0.575, 1.28, 1.47), 1.22
ASINH_GAIN = 2.0  # charge transfer: Butler-Volmer's asinh, half bent at 0.5C
ASINH_UNIT = 1.4436  # asinh(2): the bent resistance is stated at 1C
OHMIC_SHARE, BENT_SHARE = 0.207, 1.0  # of the prior 1 s resistance (fitted)
PLATEAU = 0.159  # volts per unit of charge: where the curve is flatter, a few millivolts are no charge (fitted)
# What 10 s of rest leave over of the charge, beside what is not known of the curve (CURVE_SIGMA_V): with more, the slow
# drop of a cell that lags is taken for charge, where counting is right to 0.5 %. The maker's capacity.
SIGMA_SOC, SIGMA_RATIO = 0.003, 0.0129
SIGMA_OHMIC, SIGMA_BENT, SIGMA_SLOW = 1.22, 0.303, (1.04, 0.74, 2.21, 0.996)  # of their first values (fitted)
SIGMA_OFFSET_V = 0.003
WALK_SOC, WALK_RATIO = 2e-5, 1e-4  # per √s; charge counting is trusted, capacity does not move in a ride
# Of first values per √s (fitted).
WALK_OHMIC, WALK_BENT, WALK_SLOW = 0.0227, 0.0015, (0.0105, 0.02, 0.000415, 0.0271)
WALK_OFFSET_V = 0.000401
OFFSET_TAU_S = 487.0  # what the model does not know comes and goes within minutes (fitted)
NOISE_V = (
    0.0209  # far more than the voltage's own: what the model leaves over lasts, and is no new proof ten times a second
)
NOISE_OF_DROP = 0.24  # and the model's own error grows with the polarisation (fitted)
NOISE_OF_CHANGE = 1.04  # and with a change of current whose moment is not exactly known (fitted)
INNOVATION_CAP = 5.0  # sigma; one wild sample must not carry the filter away
OHMIC_CLAMP = (1 / 6, 6.0)
SLOW_CLAMP = (0.05, 8.0)
RATIO_CLAMP = 0.25
OFFSET_CLAMP_V = 0.15
SOC_CLAMP = (-0.05, 1.05)
FREEZE_TAU_S = 20.0  # at a constant current nothing about resistance can be learnt
FREEZE_C = 0.15  # root mean square variation over that time

# --- what earlier rides taught
LEARNT_SHARE_OF_SIGMA = 0.5  # of the first sigmas: temperature and the style of riding change from ride to ride
STATED_SIGMA_RATIO = 0.08  # what a maker, or a builder who measured, states of cells of unknown age
LEARNT_SIGMA_RATIO_USED = 0.05  # less sure than this, what is stated is the better guess
LEARNT_SIGMA_RATIO_MOST = 0.03  # a surer count than this is what the filter was tuned with
LEARNT_SIGMA_PEER_RATIO = 0.02  # and no group is known better
LEARNT_SIGMA_PEER_SCALE = 0.06
FORGOTTEN_SIGMA_SOC = 0.03
REOPENED_PEER_SIGMA = 0.05  # of charge: what a false reading may have taught before it was found out
OTHER_PACK_FACTOR = 2.5  # resistance at 25 degC this many times more or less: other cells, whatever the name says

# --- the peer filter, each group against the median
PEER_SIGMA_SOC, PEER_SIGMA_RATIO, PEER_SIGMA_SCALE = 0.006, 0.2, 0.0407  # the last two fitted
PEER_CORRELATION = 0.6  # a lost cell shows in capacity and in resistance alike
PEER_SIGMA_EXTRA = 0.721  # of the prior: a bad joint (fitted)
PEER_SIGMA_OFFSET_V = 0.000232  # (fitted)
# Charge difference: what the curve and the counting get wrong between two groups moves with the ride (fitted).
PEER_WALK_SOC, PEER_WALK_RATIO, PEER_WALK_SCALE = 3.77e-4, 2e-4, 3.89e-4
PEER_WALK_EXTRA = 0.003
PEER_WALK_OFFSET_V = 1.46e-5  # (fitted)
PEER_NOISE_V = 0.011  # two sensors' noise and steps, and what lasts is no new proof ten times a second (fitted)
# Under load the voltages tell little of how groups differ in charge: taken for a proof, the fast drop drove scale and
# offset away against each other, to three times and 0.2 V (fitted).
PEER_NOISE_OF_DROP = 0.919
PEER_NOISE_OF_CHANGE = 0.03  # groups are read within milliseconds of each other
PEER_RATIO_CLAMP = (-0.3, 1.5)
PEER_SCALE_CLAMP = (-0.7, 3.0)
PEER_OFFSET_TAU_S = 150.0  # fades as the slowest element does
DOUBT_TAU_S = 2.0  # a group this far from what its past and its peers say, for this long,
DOUBT_RAISE_V, DOUBT_CLEAR_V = 0.15, 0.05  # is no cell that sags: a lead or a joint gave way, or it is empty
# The middle group that far under what is expected has broken down under a pull it cannot carry: the filters wait for
# it, but no longer than this, by when it has become what the pack is (a cell that broke down was back in 20 to 100 s on
# rides of one published cell that nothing else here was set with).
COLLAPSE_MOST_S = 120.0

# --- what is said
FLOOR_TAU_S = 0.5  # rest is never said to be below the loaded voltage just measured ...
FLOOR_MARGIN_V = 0.003  # ... less this ...
REGEN_C, REGEN_MEMORY_S = -0.05, 60.0  # ... unless charging lifted it within this time
SIGMA_BASE_V = 0.004
SIGMA_OF_GAP = 0.15  # of the distance between equilibrium and rest: how well slow polarisation is known
SIGMA_OF_SLOPE = 0.0018  # volts per (volt per unit of charge): charge known to 0.2 %
SIGMA_OF_RATIO_V = 0.030
STRAIGHT_SIGMA_SOC = 0.02  # of charge known so well the curve is straight
SIGMA_LOADED_START_V = 0.020  # charge guessed under load stays off by this for the rest of the ride, and more when cold
EXPECTED_WITHIN_V = 0.02  # a group further from what is expected of it is not as well known as the filters think
SHORTFALL_FROM, SHORTFALL_TO = 0.12, 0.22  # lost share of capacity over which the alarm leans to the cautious side
SHORTFALL_V = 0.015

# --- 1 s resistance from steps of the ride
STEP_MIN_C = 1.0  # the contract
STEP_BEFORE_S = (1.7, 2.3)  # age of the window before the rise
STEP_AFTER_S = 0.4  # and of the one after it, whose centre lies 1 s behind the end of the rise
STEP_HELD_S = 1.2  # the current must hold this long: neither window touches the rise even with 0.3 s of delay
STEP_FLATNESS = 0.25  # of the step: what the current may vary within a window
STEP_PAUSE_S = 1.0  # one rise is counted once
STEPS_NEEDED = 3
STEP_STRAIGHT = 0.14  # of a small step's drop from rest goes with the current, the rest by asinh (tuned)
STEP_SIGMA = 0.02  # of a resistance: what all steps of a ride have in common
STEPS_KEPT = 99
TYPICAL_STEP_C = 2.5  # until the ride has shown its own

# --- without a current (tuned on rides of published cell models with the current taken away; see voltages_only.py)
BLIND_SCALES, BLIND_STEP = 11, 1.32  # resistances tried: a quarter to four times the prior
BLIND_SIGMA = 0.8  # of the logarithm: cells of one chemistry lie that far apart, and cold adds to it
BLIND_OHMIC, BLIND_BENT, BLIND_OFFSET_TAU_S = 0.55, 0.30, 80.0  # as the common filter's
BLIND_TAU_S, BLIND_SLOW_SHARES, BLIND_INSIDE = (2.0, 20.0, 150.0), (0.3, 0.3, 0.4), 0.7  # the last one's, inside
BLIND_SLOW, BLIND_SLOW_SIGMA = (0.7, 1.4, 2.8), 0.6  # slow over fast polarisation, times these shares
BLIND_LEARNT_STEP, BLIND_LEARNT_SIGMA, BLIND_LEARNT_SLOW = 1.08, 0.12, (0.75, 1.0, 1.35)  # once a current was seen
BLIND_LEAST_C, BLIND_MOST_C = -2.0, 15.0  # no rider draws or regenerates more
BLIND_FORGET_S = 900.0  # resistance moves with charge and warmth
BLIND_SIGMA_OF_C, BLIND_ERROR_TAU_S = 0.3, 10.0  # error of a current told by a drop, and how long it lasts
BLIND_START_C = 0.8  # of a ride that is met under load
BLIND_START_SIGMA = 0.006
BLIND_FAST_TAU_S, BLIND_REST_TAU_S, BLIND_REST_V = 0.5, 3.0, 0.004  # a rested voltage does not move
BLIND_BASE_V, BLIND_SIGMA_OF_GAP = 0.011, 0.25
BLIND_KNOWN_SIGMA_V = 0.120  # the loaded voltage is wrong by 150 mV and more
SPREAD_EVERY_S = 1.0
LOOK_EVERY_S, LOOK_TAU_S = 0.5, 4.0  # looks closer than the second are one look: they share the model's error
LOOK_V, LOOK_OF_SLOW = 0.006, 0.2  # error of a coast's voltage: noise and curve, and of what has yet to recover
LOOK_EVIDENCE = 0.3  # a coast tells the scale through the model's errors too: it counts for less than it says
COAST_SHARE = 0.35  # of quiet moments are coasts ...
LOAD_C = 1.5  # ... the others loads of up to about this ...
REGEN_SHARE, REGEN_S = 0.15, 3.0  # ... or regeneration, which lasts a few seconds
NO_COAST_LEAST = 1e-3
LIFTED_SHARE = 0.3  # nothing lifts a cell for long but its own charge: then its variance takes in what is seen
FLAT = 0.3  # volts per unit of charge: on a plateau a few millivolts are no charge,
FLAT_V, SHIFT_SHARE, SHIFT_MOST_V = 0.012, 0.5, 0.04  # but a curve that is another cell's
REFERENCE_V, REFERENCE_AFTER_S = 0.008, 4.0  # coasts lie at one height, which a quiet level of this long may set
REFERENCE_OF_DRIFT, REFERENCE_FALL = 0.35, 1.5e-4  # it fades with charge drawn, and by itself in volts per second
LOWER_AFTER_S = 3.0  # what is lower than expected is more often a light load: wait
QUIET_TIMES, QUIET_MORE_V = 1.5, 0.0003  # over the least variation seen, which is the converter's
QUIET_TREND_TAU_S, QUIET_TAU_S, QUIET_CAP = 0.5, 0.8, 12.0
QUIET_FIRST_V, QUIET_RANGE_V = 0.007, (0.0003, 0.005)
QUIET_LEARN_TAU_S, QUIET_FORGET_S = 2.0, 1000.0
FALL_V, FALL_AFTER_S, FALL_TAU_S, FALL_SPREAD_TAU_S = 0.003, 2.0, 2.0, 5.0  # a resting cell's voltage never sinks

/* The common filter in C. Law: it computes what domain/estimate/common.py computes, call by call, to the last digits.
 *
 * It exists to be searched with: a ride of twenty minutes takes some milliseconds, so that a thousand settings can be
 * tried on a hundred rides. The daemon knows nothing of it. common.py says why each step is as it is; where that
 * changes, this changes with it, and test_same.py fails until it has.
 */
#include "filters.h"

#include <math.h>
#include <string.h>

/* common.py's SAME_FACTOR: a temperature's factor closer than this is the same. */
#define SAME_FACTOR 1e-4

double held(double value, double low, double high) {
    return value < low ? low : value > high ? high : value;
}

void curve_at(const struct curve *curve, double soc, double *volts, double *slope) {
    double last = curve->first + curve->step * (curve->points - 1);
    double place = (held(soc, curve->first, last) - curve->first) / curve->step;
    int index = (int)place;
    if (index > curve->points - 2)
        index = curve->points - 2;
    double part = place - index;
    const double *v = curve->volts + index, *s = curve->slope + index;
    *volts = v[0] + part * (v[1] - v[0]);
    *slope = s[0] + part * (s[1] - s[0]);
}

/* slow_elements.py: where the curve is flat, what is slow acts inside it. */
static struct slow slow_elements(const struct settings *s, double slope) {
    struct slow flat = {s->FLAT_SLOW_SHARES, s->FLAT_SLOW_LAGS, s->FLAT_SIGMA_SLOW, s->FLAT_INSIDE_SHARES};
    struct slow sloping = {s->SLOW_SHARES, s->SLOW_LAGS, s->SIGMA_SLOW, s->INSIDE_SHARES};
    return slope < s->FLAT_SLOPE ? flat : sloping;
}

/* First values, their sigmas, walks and clamps, all in proportion to the 1 s resistance. */
static void shape(struct common *f, double drop_v) {
    const struct settings *s = f->s;
    f->drop_v = drop_v;
    f->first[Z] = 0.5, f->sigmas[Z] = s->SIGMA_SOC, f->walk[Z] = s->WALK_SOC;
    f->first[RATIO] = 0.0, f->sigmas[RATIO] = s->SIGMA_RATIO, f->walk[RATIO] = s->WALK_RATIO;
    f->first[OHMIC] = s->OHMIC_SHARE * drop_v;
    f->sigmas[OHMIC] = s->SIGMA_OHMIC * f->first[OHMIC], f->walk[OHMIC] = s->WALK_OHMIC * f->first[OHMIC];
    f->first[BENT] = s->BENT_SHARE * drop_v;
    f->sigmas[BENT] = s->SIGMA_BENT * f->first[BENT], f->walk[BENT] = s->WALK_BENT * f->first[BENT];
    for (int k = 0; k < ELEMENTS; k++) {
        double slow = f->slow.shares[k] * drop_v + f->slow.lags[k] * f->curve->mean_slope;
        f->first[SLOW + k] = slow;
        f->sigmas[SLOW + k] = f->slow.sigmas[k] * slow, f->walk[SLOW + k] = s->WALK_SLOW[k] * slow;
    }
    f->first[W] = 0.0, f->sigmas[W] = s->SIGMA_OFFSET_V;
    f->walk[W] = f->rested ? s->WALK_OFFSET_V : s->LOADED_WALK_OFFSET_V;
    for (int i = 0; i < STATES; i++) {
        const double *clamp = i < SLOW ? s->OHMIC_CLAMP : s->SLOW_CLAMP;
        f->walk[i] *= f->walk[i];
        f->low[i] = clamp[0] * f->first[i], f->high[i] = clamp[1] * f->first[i];
    }
    f->low[Z] = s->SOC_CLAMP[0], f->high[Z] = s->SOC_CLAMP[1];
    f->low[RATIO] = -s->RATIO_CLAMP, f->high[RATIO] = s->RATIO_CLAMP;
    f->low[W] = -s->OFFSET_CLAMP_V, f->high[W] = s->OFFSET_CLAMP_V;
}

/* A state unlinked from all others, with this standard uncertainty. */
static void unlink_state(struct common *f, int state, double sigma) {
    for (int j = 0; j < STATES; j++)
        f->p[state][j] = f->p[j][state] = 0.0;
    f->p[state][state] = sigma * sigma;
}

void common_new(struct common *f, const struct settings *s, const struct curve *curve, double drop_v) {
    memset(f, 0, sizeof *f);
    f->s = s, f->curve = curve, f->rested = 1;
    f->slow = slow_elements(s, curve->mean_slope);
    f->offset_tau_s = s->OFFSET_TAU_S;
    f->offset_left = exp(-s->REST_HORIZON_S / f->offset_tau_s);
    f->step_s = NAN, f->factor = 1.0;
    for (int k = 0; k < ELEMENTS; k++)
        f->colder[k] = f->factors[k] = 1.0;
    shape(f, drop_v);
    for (int i = 0; i < STATES; i++) {
        f->x[i] = f->first[i];
        unlink_state(f, i, f->sigmas[i]);
    }
}

void common_begin(struct common *f, double soc, double soc_sigma, double offset_v, double offset_sigma_v, int rested) {
    const struct settings *s = f->s;
    double walk = rested ? s->WALK_OFFSET_V : s->LOADED_WALK_OFFSET_V;
    f->rested = rested, f->unseen = 0.0;
    f->apart_v = f->fallen_s = 0.0, f->collapsed = 0;
    f->offset_tau_s = rested ? s->OFFSET_TAU_S : s->LOADED_OFFSET_TAU_S;
    f->offset_left = exp(-s->REST_HORIZON_S / f->offset_tau_s);
    f->walk[W] = walk * walk;
    f->x[Z] = soc, f->x[W] = offset_v;
    unlink_state(f, Z, soc_sigma);
    unlink_state(f, W, offset_sigma_v);
    f->unread = 0.0;
    if (rested && offset_sigma_v <= s->SIGMA_OFFSET_V) {
        double least = s->SIGMA_SOC * s->SIGMA_SOC, share = s->START_READ_SHARE * s->START_READ_SHARE;
        double read = fmax(soc_sigma * soc_sigma - least, 0.0);
        f->p[Z][Z] = least + share * read;
        f->unread = read * (1.0 - share) / (least + share * read);
    }
}

void common_flow(struct common *f, double c, double seconds) {
    if (seconds != f->step_s) {
        f->step_s = seconds;
        for (int k = 0; k < ELEMENTS; k++)
            f->parts[k] = 1.0 - exp(-seconds / f->s->TAU_S[k]);
    }
    for (int k = 0; k < ELEMENTS; k++)
        f->currents[k] += (c - f->currents[k]) * f->parts[k];
}

void common_carry(struct common *f, double c, double seconds) {
    common_flow(f, c, seconds);
    f->x[Z] -= (1.0 + f->x[RATIO]) * c * seconds / 3600.0;
    f->x[W] *= exp(-seconds / f->offset_tau_s);
}

void common_widen(struct common *f, double drawn, double seconds) {
    double fade = exp(-seconds / f->offset_tau_s);
    for (int j = 0; j < STATES; j++)
        f->p[Z][j] -= drawn * f->p[RATIO][j];
    for (int j = 0; j < STATES; j++)
        f->p[j][Z] -= drawn * f->p[j][RATIO];
    for (int j = 0; j < STATES; j++)
        f->p[W][j] *= fade;
    for (int j = 0; j < STATES; j++)
        f->p[j][W] *= fade;
    for (int i = 0; i < STATES; i++)
        f->p[i][i] += f->walk[i] * seconds;
}

/* Low-passed currents times the temperature's factors. */
static void drive(struct common *f, double factor, double driven[ELEMENTS]) {
    if (fabs(factor - f->factor) > SAME_FACTOR * factor) {
        f->factor = factor;
        for (int k = 0; k < ELEMENTS; k++) {
            f->colder[k] = pow(factor, f->s->SLOW_POWERS[k] - 1.0);
            f->factors[k] = factor * f->colder[k];
        }
    }
    for (int k = 0; k < ELEMENTS; k++)
        driven[k] = f->factors[k] * f->currents[k];
}

struct shared common_shared(struct common *f, double volts, double factor) {
    const struct settings *s = f->s;
    struct shared told = {.soc = f->x[Z], .offset_v = f->x[W], .offset_left_v = f->x[W] * f->offset_left};
    double driven[ELEMENTS], ocv, slope;
    drive(f, factor, driven);
    for (int k = 0; k < ELEMENTS; k++) {
        double v = driven[k] * f->x[SLOW + k], inside = f->slow.inside[k], left = exp(-s->REST_HORIZON_S / s->TAU_S[k]);
        told.delta += inside * v;
        told.delta_left += left * inside * v;
        told.slow_left_v += left * (1.0 - inside) * v;
        if (k > 0) /* the fastest is gone within the sag that the peers take for the fast drop */
            told.slow_v += (1.0 - inside) * v;
    }
    told.delta /= f->curve->mean_slope, told.delta_left /= f->curve->mean_slope;
    curve_at(f->curve, told.soc - told.delta, &ocv, &slope);
    if (!f->rested) {
        double unseen = s->LOADED_CHARGE_OF_SLOW * (told.delta + told.slow_v / fmax(slope, s->PLATEAU));
        f->unseen = unseen * unseen;
    } else if (f->unread != 0.0)
        f->unseen = f->unread * f->p[Z][Z];
    told.fast_v = ocv - told.slow_v + told.offset_v - volts;
    return told;
}

/* Least variance of charge that a voltage may lead to. */
static double charge_floor(const struct common *f, double slope) {
    double variance = f->p[Z][Z], sigma = sqrt(variance), volts, below, above;
    curve_at(f->curve, f->x[Z] - sigma, &volts, &below);
    curve_at(f->curve, f->x[Z] + sigma, &volts, &above);
    double least = f->s->LOADED_CHARGE_FLOOR_V / fmax(fmin(slope, fmin(below, above)), 1e-3);
    return fmin(variance, least * least);
}

/* How many of the first states learn nothing now: at a steady load all but the offset, on a plateau the charge. */
static int staying(const struct common *f, double slope, int steady) {
    if (steady)
        return W;
    return slope < f->s->PLATEAU && f->rested;
}

/* Kalman's step; a state that would leave its limits, or is to stay, keeps its value and its uncertainty. */
static void learn(struct common *f, const double ph[STATES], double variance, double innovation, int stay) {
    double gain[STATES];
    int kept = stay > 0;
    for (int i = 0; i < STATES; i++)
        gain[i] = i < stay ? 0.0 : ph[i] / variance;
    for (int i = 0; i < STATES; i++) {
        double reached = f->x[i] + gain[i] * innovation;
        if (reached < f->low[i] || reached > f->high[i])
            gain[i] = 0.0, kept = 1;
    }
    for (int i = 0; i < STATES; i++)
        f->x[i] += gain[i] * innovation;
    for (int i = 0; i < STATES; i++)
        for (int j = 0; j < STATES; j++)
            f->p[i][j] -= kept ? gain[i] * ph[j] + gain[j] * ph[i] - variance * gain[i] * gain[j] : gain[i] * ph[j];
}

/* Whether the voltage lies so far under what is expected that there is nothing to learn from it. */
static int collapses(struct common *f, double apart_v, double waited_s) {
    const struct settings *s = f->s;
    f->apart_v += (apart_v - f->apart_v) * (1.0 - exp(-waited_s / s->DOUBT_TAU_S));
    if (f->apart_v > -s->DOUBT_CLEAR_V)
        f->fallen_s = 0.0;
    else if (f->fallen_s > 0.0 || f->apart_v < -s->DOUBT_RAISE_V)
        f->fallen_s += waited_s;
    return f->fallen_s > 0.0 && f->fallen_s < s->COLLAPSE_MOST_S;
}

struct shared common_update(struct common *f, double volts, const struct moment *moment, double crowd, double waited_s) {
    if (!f->scaled)
        return common_shared(f, volts, moment->factor);
    const struct settings *s = f->s;
    double c = moment->c, fast = pow(moment->factor, s->FAST_POWER), bent_c = asinh(s->ASINH_GAIN * c) / s->ASINH_UNIT;
    double driven[ELEMENTS], h[STATES], ph[STATES], ocv, slope, delta = 0.0, outside = 0.0;
    drive(f, moment->factor, driven);
    for (int k = 0; k < ELEMENTS; k++) {
        double v = driven[k] * f->x[SLOW + k];
        delta += f->slow.inside[k] * v;
        outside += (1.0 - f->slow.inside[k]) * v;
    }
    delta /= f->curve->mean_slope;
    curve_at(f->curve, f->x[Z] - delta, &ocv, &slope);
    double drop = fast * (f->x[OHMIC] * c + f->x[BENT] * bent_c) + outside;
    h[Z] = slope, h[RATIO] = 0.0, h[OHMIC] = -fast * c, h[BENT] = -fast * bent_c, h[W] = 1.0;
    for (int k = 0; k < ELEMENTS; k++)
        h[SLOW + k] =
            -driven[k] * (1.0 - f->slow.inside[k] + f->slow.inside[k] * (slope / f->curve->mean_slope));
    double doubt = s->NOISE_OF_CHANGE * fast * (f->x[OHMIC] + f->x[BENT]) * moment->change;
    double of_drop = s->NOISE_OF_DROP * (drop + slope * delta);
    double noise = (f->rested ? crowd : crowd * s->LOADED_NOISE) * (s->NOISE_V * s->NOISE_V + of_drop * of_drop + doubt * doubt);
    double least = f->rested ? 0.0 : charge_floor(f, slope), variance = noise;
    for (int i = 0; i < STATES; i++) {
        ph[i] = 0.0;
        for (int j = 0; j < STATES; j++)
            ph[i] += f->p[i][j] * h[j];
        variance += h[i] * ph[i];
    }
    double cap = s->INNOVATION_CAP * sqrt(variance);
    double innovation = volts - (ocv - drop + f->x[W]);
    f->collapsed = collapses(f, innovation, waited_s);
    if (f->collapsed)
        return common_shared(f, volts, moment->factor);
    innovation = held(innovation, -cap, cap);
    learn(f, ph, variance, innovation, staying(f, slope, moment->steady && fabs(c) > s->REST_C));
    f->p[Z][Z] = fmax(f->p[Z][Z], least);
    return common_shared(f, volts, moment->factor);
}

/* 1 s resistance of a step of `step_c` at 25 degC. */
static double resistance(const struct common *f, double step_c) {
    const struct settings *s = f->s;
    double sum = f->x[OHMIC] + f->x[BENT] * asinh(s->ASINH_GAIN * step_c) / (s->ASINH_UNIT * step_c);
    for (int k = 0; k < ELEMENTS; k++)
        sum += f->x[SLOW + k] * (1.0 - exp(-1.0 / s->TAU_S[k]));
    return sum;
}

void common_scale(struct common *f, double measured_v, double step_c) {
    f->scaled = 1;
    if (!(measured_v > 0.0))
        return;
    for (int i = OHMIC; i < W; i++)
        f->x[i] = f->first[i];
    shape(f, f->drop_v * measured_v / resistance(f, step_c));
    for (int i = OHMIC; i < W; i++) {
        f->x[i] = f->first[i];
        unlink_state(f, i, f->sigmas[i]);
        if (i >= SLOW && !f->rested)
            f->p[i][i] *= f->s->LOADED_SIGMA_SHARE * f->s->LOADED_SIGMA_SHARE;
    }
}

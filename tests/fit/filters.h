/* What the C copies of the estimator's filters share. Law: names and order are those of the Python they copy.
 *
 * settings.h is written by filters.py before each compilation: ELEMENTS, and `struct settings` whose members have the
 * names of settings.py. Units, signs and meanings are those of domain/estimate; only what is not said there is here.
 */
#ifndef FILTERS_H
#define FILTERS_H

#include "settings.h"

enum { Z, RATIO, OHMIC, BENT, SLOW, W = SLOW + ELEMENTS, STATES };

/* The equilibrium curve as a table of even steps, see `OcvCurve`. */
struct curve {
    const double *volts, *slope;
    int points;
    double first, step; /* charge of the first point, and from one to the next */
    double mean_slope;
};

/* One call to the common filter, as rides.py writes it down; `a` in the order of the Python call. */
enum { FLOW, CARRY, LEARN, LEARN_STEADY, BEGIN, SCALE };

struct call {
    int op, row;
    double a[5];
};

/* `Moment`, as far as it is learnt from. */
struct moment {
    double c, factor, change;
    int steady;
};

struct shared {
    double soc, delta, delta_left, slow_v, slow_left_v, offset_v, offset_left_v, fast_v;
};

/* What the common filter passes on to the peers. charge: drawn since they last learnt, as a share of the median's
 * capacity; drop_v: its 1 s resistance after a new scale; collapsed: there is nothing to learn.
 */
struct passed {
    struct shared shared;
    double charge, waited_s, drop_v, collapsed;
};

/* `SlowElements` of the curve at hand; arrays of ELEMENTS. */
struct slow {
    const double *shares, *lags, *sigmas, *inside;
};

struct common {
    const struct settings *s;
    const struct curve *curve;
    struct slow slow;
    int rested, scaled, collapsed;
    double drop_v, unseen, unread, offset_tau_s, offset_left, apart_v, fallen_s;
    double x[STATES], p[STATES][STATES];
    double first[STATES], sigmas[STATES], walk[STATES], low[STATES], high[STATES];
    double currents[ELEMENTS], step_s, parts[ELEMENTS];
    double factor, colder[ELEMENTS], factors[ELEMENTS];
};

enum { PEER_SOC, PEER_RATIO, PEER_SCALE, PEER_EXTRA, PEER_OFFSET, PEER_STATES };

/* One group; filters.py makes room for as many numbers. */
struct peer {
    double x[PEER_STATES], p[PEER_STATES][PEER_STATES], doubt_v;
};

struct peers {
    const struct settings *s;
    const struct curve *curve;
    int groups;
    double drop_v, sigmas[PEER_STATES], walk[PEER_STATES];
    struct peer *each;
};

double held(double value, double low, double high);
void curve_at(const struct curve *curve, double soc, double *volts, double *slope);

void common_new(struct common *f, const struct settings *s, const struct curve *curve, double drop_v);
void common_begin(struct common *f, double soc, double soc_sigma, double offset_v, double offset_sigma_v, int rested);
void common_flow(struct common *f, double c, double seconds);
void common_carry(struct common *f, double c, double seconds);
void common_widen(struct common *f, double drawn, double seconds);
struct shared common_update(struct common *f, double volts, const struct moment *moment, double crowd, double waited_s);
struct shared common_shared(struct common *f, double volts, double factor);
void common_scale(struct common *f, double measured_v, double step_c);

void peers_new(struct peers *f, const struct settings *s, const struct curve *curve, double drop_v, int groups,
               struct peer *each);
void peers_open(struct peers *f, const double *soc, const double *soc_sigma);
void peers_scale(struct peers *f, double drop_v);
void peers_predict(struct peers *f, double charge, double seconds);
void peers_learn(struct peers *f, const double *volts, const struct shared *shared, const struct moment *moment,
                 double waited_s, double crowd);

#endif

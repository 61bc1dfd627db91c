/* One ride through the filters. Law: the calls of the tape in their order, and what is said at the rows wanted.
 *
 * `common_ride` and `peers_ride` are what filters.py calls, one after the other; the common filter does not know of the
 * peers, so settings of theirs are tried without running it again. What is said follows domain/estimate/output.py, as
 * far as it is compared with the truth.
 */
#include "filters.h"

#include <math.h>
#include <stddef.h>

/* How many numbers are told of the common filter, and said of a group; filters.py names them in this order. */
enum { TOLD = 11, SAID = 10 };

static double square(double value) {
    return value * value;
}

static void tell(const struct common *f, const struct shared *shared, double told[TOLD]) {
    double offset = f->p[W][W] - square(f->s->SIGMA_OFFSET_V);
    told[0] = f->x[Z], told[1] = f->x[RATIO], told[2] = f->p[Z][Z], told[3] = f->p[RATIO][RATIO];
    told[4] = fmax(offset, 0.0) * square(f->offset_left);
    told[5] = shared->delta_left, told[6] = shared->slow_left_v, told[7] = shared->offset_left_v;
    told[8] = f->unseen, told[9] = f->scaled, told[10] = f->rested;
}

/* Rest voltage, OCV and the uncertainty of the first, then the states they came from. The floor is left to others. */
static void say(const struct settings *s, const struct curve *curve, const double told[TOLD], const struct peer *peer,
                double said[SAID]) {
    double share = 1.0 + peer->x[PEER_RATIO], soc = told[0] + peer->x[PEER_SOC], left, ocv, slope, unused;
    double offset_left = exp(-s->REST_HORIZON_S / s->PEER_OFFSET_TAU_S);
    curve_at(curve, soc - share * told[5], &left, &unused);
    curve_at(curve, soc, &ocv, &slope);
    double rest = left - share * told[6] + told[7] + peer->x[PEER_OFFSET] * offset_left;
    double charge = told[2] + peer->p[PEER_SOC][PEER_SOC] - square(s->SIGMA_SOC) - square(s->PEER_SIGMA_SOC);
    double of_gap = told[9] != 0.0 ? s->SIGMA_OF_GAP : s->UNSCALED_SIGMA_OF_GAP;
    double wide = sqrt(fmax(charge, 0.0)), high, low;
    curve_at(curve, soc + wide, &high, &unused);
    curve_at(curve, soc - wide, &low, &unused);
    double of_charge = fmax(charge, 0.0) * square(slope);
    if (wide >= s->STRAIGHT_SIGMA_SOC)
        of_charge = fmax(of_charge, square((high - low) / 2));
    double base = told[10] != 0.0 ? s->SIGMA_BASE_V : s->SIGMA_LOADED_START_V;
    double variance = square(base) + square(of_gap * (ocv - rest)) + square(s->SIGMA_OF_SLOPE * slope) +
                      square(s->SIGMA_OF_RATIO_V * peer->x[PEER_RATIO]) + of_charge + told[4] +
                      square(fmax(peer->doubt_v - s->EXPECTED_WITHIN_V, 0.0));
    said[0] = rest, said[1] = ocv, said[2] = sqrt(variance);
    for (int i = 0; i < PEER_STATES; i++)
        said[3 + i] = peer->x[i];
    said[8] = peer->p[PEER_SOC][PEER_SOC], said[9] = peer->doubt_v;
}

/* Whether all calls of a wanted row, and of those before it, have been made with this one. */
static int made(const struct call *calls, int i, int count, int wanted) {
    return calls[i].row >= wanted && (i + 1 == count || calls[i + 1].row > calls[i].row);
}

static struct moment moment_of(const struct call *call) {
    return (struct moment){call->a[1], call->a[2], call->a[3], call->op == LEARN_STEADY};
}

/* told: (rows wanted, TOLD), left as it is before the beginning. passed: what the peers need of it, one for each call
 * that learns or scales.
 */
void common_ride(const struct settings *s, const struct curve *curve, double drop_v, const struct call *calls,
                 int count, const int *wanted, int rows, struct passed *passed, double *told) {
    struct common f;
    struct shared shared = {.soc = NAN};
    double drawn = 0.0, waited_s = 0.0;
    int begun = 0;
    common_new(&f, s, curve, drop_v);
    for (int i = 0, row = 0; i < count; i++) {
        const double *a = calls[i].a;
        struct moment moment = moment_of(calls + i);
        switch (calls[i].op) {
        case FLOW:
            common_flow(&f, a[0], a[1]);
            break;
        case CARRY:
            common_carry(&f, a[0], a[1]);
            drawn += a[0] * a[1] / 3600.0, waited_s += a[1], begun = 1;
            break;
        case LEARN:
        case LEARN_STEADY:
            common_widen(&f, drawn, waited_s);
            passed->charge = drawn * (1.0 + f.x[RATIO]), passed->waited_s = waited_s;
            shared = common_update(&f, a[0], &moment, a[4], waited_s);
            passed->collapsed = f.collapsed;
            passed++->shared = shared;
            drawn = waited_s = 0.0;
            break;
        case BEGIN:
            common_begin(&f, a[0], a[1], a[2], a[3], a[4] != 0.0);
            break;
        case SCALE:
            common_scale(&f, a[0], a[1]);
            passed++->drop_v = f.drop_v;
            break;
        }
        for (; row < rows && made(calls, i, count, wanted[row]); row++)
            if (begun)
                tell(&f, &shared, told + row * TOLD);
    }
}

/* volts: (rows of the ride, groups); openings: (starts, 2, groups). said: (rows wanted, groups, SAID), left as it is
 * before the beginning. `peer` has room for all groups. A single group that learns nothing is the middle one.
 */
void peers_ride(const struct settings *s, const struct curve *curve, double drop_v, const struct call *calls, int count,
                const struct passed *passed, const double *volts, const double *openings, int groups, int learning,
                struct peer *peer, const int *wanted, int rows, const double *told, double *said) {
    struct peers f;
    peers_new(&f, s, curve, drop_v, groups, peer);
    for (int i = 0, row = 0; i < count; i++) {
        struct moment moment = moment_of(calls + i);
        if (learning)
            switch (calls[i].op) {
            case LEARN:
            case LEARN_STEADY:
                peers_predict(&f, passed->charge, passed->waited_s);
                if (passed->collapsed == 0.0)
                    peers_learn(&f, volts + calls[i].row * groups, &passed->shared, &moment, passed->waited_s, calls[i].a[4]);
                passed++;
                break;
            case BEGIN:
                peers_open(&f, openings, openings + groups);
                openings += 2 * groups;
                break;
            case SCALE:
                peers_scale(&f, passed++->drop_v);
                break;
            }
        for (; row < rows && made(calls, i, count, wanted[row]); row++)
            for (int g = 0; g < groups && !isnan(told[row * TOLD]); g++)
                say(s, curve, told + row * TOLD, peer + g, said + (row * groups + g) * SAID);
    }
}

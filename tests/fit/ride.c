/* One ride through the filters. Law: the calls of the tape in their order, and what is said at the rows wanted.
 *
 * `ride` is the one function that filters.py calls. What is said follows domain/estimate/output.py, as far as it is
 * compared with the truth.
 */
#include "filters.h"

#include <math.h>

/* How many numbers are told of the common filter, and said of a group; filters.py names them in this order. */
enum { TOLD = 9, SAID = 10 };

static void tell(const struct common *f, const struct shared *shared, double told[TOLD]) {
    double offset = f->p[W][W] - f->s->SIGMA_OFFSET_V * f->s->SIGMA_OFFSET_V;
    told[0] = f->x[Z], told[1] = f->x[RATIO], told[2] = f->p[Z][Z], told[3] = f->p[RATIO][RATIO];
    told[4] = fmax(offset, 0.0) * f->offset_left * f->offset_left;
    told[5] = shared->delta_left, told[6] = shared->slow_left_v, told[7] = shared->offset_left_v, told[8] = f->unseen;
}

static double square(double value) {
    return value * value;
}

/* Rest voltage, OCV and the uncertainty of the first, then the states they came from. The floor is left to others. */
static void say(const struct common *f, const struct peer *peer, const double told[TOLD], double said[SAID]) {
    const struct settings *s = f->s;
    double share = 1.0 + peer->x[PEER_RATIO], soc = told[0] + peer->x[PEER_SOC], left, ocv, slope, unused;
    curve_at(f->curve, soc - share * told[5], &left, &unused);
    curve_at(f->curve, soc, &ocv, &slope);
    double rest = left - share * told[6] + told[7] + peer->x[PEER_OFFSET] * exp(-s->REST_HORIZON_S / s->PEER_OFFSET_TAU_S);
    double charge = told[2] + peer->p[PEER_SOC][PEER_SOC] - square(s->SIGMA_SOC) - square(s->PEER_SIGMA_SOC);
    double of_gap = f->scaled ? s->SIGMA_OF_GAP : s->UNSCALED_SIGMA_OF_GAP;
    double variance = square(f->rested ? s->SIGMA_BASE_V : s->SIGMA_LOADED_START_V) + square(of_gap * (ocv - rest)) +
                      square(s->SIGMA_OF_SLOPE * slope) + square(s->SIGMA_OF_RATIO_V * peer->x[PEER_RATIO]) +
                      fmax(charge, 0.0) * square(slope) + told[4] +
                      square(fmax(peer->doubt_v - s->EXPECTED_WITHIN_V, 0.0));
    said[0] = rest, said[1] = ocv, said[2] = sqrt(variance);
    for (int i = 0; i < PEER_STATES; i++)
        said[3 + i] = peer->x[i];
    said[8] = peer->p[PEER_SOC][PEER_SOC], said[9] = peer->doubt_v;
}

/* volts: (rows of the ride, groups); openings: (starts, 2, groups). told: (rows wanted, TOLD); said: (rows wanted,
 * groups, SAID). With no groups the peers are left out, and what is said is said of the middle group, as one. Rows before
 * the beginning are left as they are. `peer` has room for all groups, at least one.
 */
void ride(const struct settings *s, const struct curve *curve, double drop_v, const struct call *calls, int count,
          const double *volts, const double *openings, int groups, struct peer *peer, const int *wanted, int rows,
          double *told, double *said) {
    struct common common;
    struct peers peers;
    struct shared shared = {.soc = NAN};
    double drawn = 0.0, waited_s = 0.0;
    int begun = 0, shown = groups > 0 ? groups : 1;
    common_new(&common, s, curve, drop_v);
    peers_new(&peers, s, curve, drop_v, shown, peer);
    peers.groups = groups;
    for (int i = 0, row = 0; i < count && row < rows; i++) {
        const double *a = calls[i].a;
        switch (calls[i].op) {
        case UNDER_WAY:
            common_under_way(&common);
            break;
        case FLOW:
            common_flow(&common, a[0], a[1]);
            break;
        case CARRY:
            common_carry(&common, a[0], a[1]);
            drawn += a[0] * a[1] / 3600.0, waited_s += a[1], begun = 1;
            break;
        case LEARN:
        case LEARN_STEADY: {
            struct moment moment = {a[1], a[2], a[3], calls[i].op == LEARN_STEADY};
            common_widen(&common, drawn, waited_s);
            peers_predict(&peers, drawn * (1.0 + common.x[RATIO]), waited_s);
            shared = common_update(&common, a[0], &moment, a[4]);
            peers_learn(&peers, volts + calls[i].row * groups, &shared, &moment, waited_s, a[4]);
            drawn = waited_s = 0.0;
            break;
        }
        case OPEN:
            common_open(&common, a[0], a[1], a[2], a[3], a[4] != 0.0);
            peers_open(&peers, openings, openings + groups);
            openings += 2 * groups;
            break;
        case SCALE:
            common_scale(&common, a[0], a[1]);
            peers_scale(&peers, common.drop_v);
            break;
        }
        if (i + 1 < count && calls[i + 1].row == calls[i].row)
            continue;
        for (; row < rows && wanted[row] <= calls[i].row; row++) {
            double *now = told + row * TOLD;
            if (!begun)
                continue;
            tell(&common, &shared, now);
            for (int g = 0; g < shown; g++)
                say(&common, peer + g, now, said + (row * shown + g) * SAID);
        }
    }
}

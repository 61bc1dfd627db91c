/* The peer filter in C. Law: it computes what domain/estimate/peers.py computes, group by group, to the last digits.
 *
 * peers.py says why each step is as it is; where that changes, this changes with it, and test_same.py fails until it has.
 */
#include "filters.h"

#include <math.h>
#include <string.h>

/* Sigmas and walks in proportion to the 1 s resistance. */
static void shape(struct peers *f, double drop_v) {
    const struct settings *s = f->s;
    f->drop_v = drop_v;
    double sigmas[PEER_STATES] = {s->PEER_SIGMA_SOC, s->PEER_SIGMA_RATIO, s->PEER_SIGMA_SCALE,
                                  s->PEER_SIGMA_EXTRA * drop_v, s->PEER_SIGMA_OFFSET_V};
    double walks[PEER_STATES] = {s->PEER_WALK_SOC, s->PEER_WALK_RATIO, s->PEER_WALK_SCALE,
                                 s->PEER_WALK_EXTRA * drop_v, s->PEER_WALK_OFFSET_V};
    for (int i = 0; i < PEER_STATES; i++)
        f->sigmas[i] = sigmas[i], f->walk[i] = walks[i] * walks[i];
}

/* A state unlinked from all others of its group, with this standard uncertainty. */
static void unlink_state(struct peer *peer, int state, double sigma) {
    for (int j = 0; j < PEER_STATES; j++)
        peer->p[state][j] = peer->p[j][state] = 0.0;
    peer->p[state][state] = sigma * sigma;
}

void peers_new(struct peers *f, const struct settings *s, const struct curve *curve, double drop_v, int groups,
               struct peer *each) {
    f->s = s, f->curve = curve, f->groups = groups, f->each = each;
    shape(f, drop_v);
    for (int g = 0; g < groups; g++) {
        struct peer *peer = each + g;
        memset(peer, 0, sizeof *peer);
        for (int i = 0; i < PEER_STATES; i++)
            unlink_state(peer, i, f->sigmas[i]);
        peer->p[PEER_RATIO][PEER_SCALE] = peer->p[PEER_SCALE][PEER_RATIO] =
            s->PEER_CORRELATION * s->PEER_SIGMA_RATIO * s->PEER_SIGMA_SCALE;
    }
}

void peers_open(struct peers *f, const double *soc, const double *soc_sigma) {
    for (int g = 0; g < f->groups; g++) {
        struct peer *peer = f->each + g;
        peer->x[PEER_SOC] = soc[g], peer->x[PEER_OFFSET] = 0.0;
        unlink_state(peer, PEER_SOC, soc_sigma[g]);
        unlink_state(peer, PEER_OFFSET, f->s->PEER_SIGMA_OFFSET_V);
    }
}

void peers_scale(struct peers *f, double drop_v) {
    shape(f, drop_v);
    for (int g = 0; g < f->groups; g++) {
        f->each[g].x[PEER_EXTRA] = 0.0;
        unlink_state(f->each + g, PEER_EXTRA, f->sigmas[PEER_EXTRA]);
    }
}

void peers_predict(struct peers *f, double charge, double seconds) {
    for (int g = 0; g < f->groups; g++) {
        struct peer *peer = f->each + g;
        peer->x[PEER_SOC] -= charge * peer->x[PEER_RATIO];
        for (int j = 0; j < PEER_STATES; j++)
            peer->p[PEER_SOC][j] -= charge * peer->p[PEER_RATIO][j];
        for (int j = 0; j < PEER_STATES; j++)
            peer->p[j][PEER_SOC] -= charge * peer->p[j][PEER_RATIO];
        for (int i = 0; i < PEER_STATES; i++)
            peer->p[i][i] += f->walk[i] * seconds;
    }
}

/* Kalman's step; at a constant current, or none, scale and extra resistance keep value and uncertainty. */
static void learn(struct peer *peer, const double ph[PEER_STATES], double variance, double innovation, int stay) {
    double gain[PEER_STATES];
    for (int i = 0; i < PEER_STATES; i++)
        gain[i] = ph[i] / variance;
    if (stay)
        gain[PEER_SCALE] = gain[PEER_EXTRA] = 0.0;
    for (int i = 0; i < PEER_STATES; i++) {
        int stays = stay && (i == PEER_SCALE || i == PEER_EXTRA);
        for (int j = 0; j < PEER_STATES; j++)
            peer->p[i][j] -= stays ? ph[i] * gain[j] : gain[i] * ph[j];
    }
    for (int i = 0; i < PEER_STATES; i++)
        peer->x[i] += gain[i] * innovation;
}

void peers_learn(struct peers *f, const double *volts, const struct shared *shared, const struct moment *moment,
                 double waited_s, double crowd) {
    const struct settings *s = f->s;
    double load = moment->factor * moment->c, of_drop = s->PEER_NOISE_OF_DROP * shared->fast_v;
    double of_change = s->PEER_NOISE_OF_CHANGE * f->drop_v * moment->factor * moment->change;
    double noise = crowd * (s->PEER_NOISE_V * s->PEER_NOISE_V + of_drop * of_drop + of_change * of_change);
    double doubted = 1.0 - exp(-waited_s / s->DOUBT_TAU_S);
    int resting = fabs(moment->c) < s->REST_C;
    for (int g = 0; g < f->groups; g++) {
        struct peer *peer = f->each + g;
        double *x = peer->x, share = 1.0 + x[PEER_RATIO], curve_v, slope, ph[PEER_STATES], variance = 0.0;
        curve_at(f->curve, shared->soc + x[PEER_SOC] - share * shared->delta, &curve_v, &slope);
        double fast = (1.0 + x[PEER_SCALE]) * shared->fast_v + load * x[PEER_EXTRA];
        double expected = curve_v - share * shared->slow_v + shared->offset_v - fast + x[PEER_OFFSET];
        const double h[PEER_STATES] = {slope, 0.0, resting ? 0.0 : -shared->fast_v, -load, 1.0};
        for (int i = 0; i < PEER_STATES; i++) {
            ph[i] = 0.0;
            for (int j = 0; j < PEER_STATES; j++)
                ph[i] += peer->p[i][j] * h[j];
            variance += h[i] * ph[i];
        }
        variance += noise;
        double cap = s->INNOVATION_CAP * sqrt(variance), apart = volts[g] - expected;
        peer->doubt_v += (fabs(apart) - peer->doubt_v) * doubted;
        learn(peer, ph, variance, held(apart, -cap, cap), moment->steady || resting);
        x[PEER_RATIO] = held(x[PEER_RATIO], s->PEER_RATIO_CLAMP[0], s->PEER_RATIO_CLAMP[1]);
        x[PEER_SCALE] = held(x[PEER_SCALE], s->PEER_SCALE_CLAMP[0], s->PEER_SCALE_CLAMP[1]);
    }
}

/* One ride through the filters. Law: the calls of the tape in their order, and what is said at the rows wanted.
 *
 * `ride` is the one function that filters.py calls. What is said follows domain/estimate/output.py, as far as it is
 * compared with the truth.
 */
#include "filters.h"

#include <math.h>

/* What is told of the common filter at one row; filters.py names the columns in this order. */
enum { TOLD = 9 };

static void tell(const struct common *f, const struct shared *shared, double told[TOLD]) {
    double offset = f->p[W][W] - f->s->SIGMA_OFFSET_V * f->s->SIGMA_OFFSET_V;
    told[0] = f->x[Z], told[1] = f->x[RATIO], told[2] = f->p[Z][Z], told[3] = f->p[RATIO][RATIO];
    told[4] = fmax(offset, 0.0) * f->offset_left * f->offset_left;
    told[5] = shared->delta_left, told[6] = shared->slow_left_v, told[7] = shared->offset_left_v, told[8] = f->unseen;
}

/* Rest voltage and OCV of the middle group; the floor is a group's and not known here. */
static void say(const struct common *f, const struct shared *shared, double said[2]) {
    double slope;
    curve_at(f->curve, f->x[Z] - shared->delta_left, &said[0], &slope);
    said[0] += shared->offset_left_v - shared->slow_left_v;
    curve_at(f->curve, f->x[Z], &said[1], &slope);
}

/* told: (rows wanted, TOLD); said: (rows wanted, 2). Rows before the beginning are left as they are. */
void ride(const struct settings *s, const struct curve *curve, double drop_v, const struct call *calls, int count,
          const int *wanted, int rows, double *told, double *said) {
    struct common common;
    struct shared shared = {.soc = NAN};
    double drawn = 0.0, waited_s = 0.0;
    int begun = 0;
    common_new(&common, s, curve, drop_v);
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
            drawn = waited_s = 0.0;
            shared = common_update(&common, a[0], &moment, a[4]);
            break;
        }
        case OPEN:
            common_open(&common, a[0], a[1], a[2], a[3], a[4] != 0.0);
            break;
        case SCALE:
            common_scale(&common, a[0], a[1]);
            break;
        }
        if (i + 1 < count && calls[i + 1].row == calls[i].row)
            continue;
        for (; row < rows && wanted[row] <= calls[i].row; row++)
            if (begun) {
                tell(&common, &shared, told + row * TOLD);
                say(&common, &shared, said + row * 2);
            }
    }
}
